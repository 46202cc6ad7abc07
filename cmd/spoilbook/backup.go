package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"spoilbook/services/access"
	"spoilbook/services/backup"
	"spoilbook/services/ledger"
)

func backupCommand() *cobra.Command {
	var o siteOptions
	var to, verify string
	c := &cobra.Command{
		Use:   "backup",
		Short: "Copy the ledger into a folder, or check such a copy",
		Long: `Copy what the ledger consists of into a folder: every event as it was recorded,
what is quarantined and how that was settled, the blocks with their Merkle roots,
and which streams were adopted. The ledger may be in use meanwhile: give --server.
Users and tokens are put beside it in people.json, with passwords and tokens as hashes;
only its owner can read it, and sessions are not in it. A server that was started with
--open does not hand them out.
A second backup into the same folder adds only what is new. One that is cut off
leaves the folder as it was.

With --verify nothing is copied: every byte in the folder is held against its hash,
every row against its place, and the Merkle tree is made anew. Exit status 6 means
that the backup is damaged; the message names the files.

Keep the root that is printed somewhere else as well.`,
		Example: `  spoilbook backup --to ./backup --server http://127.0.0.1:8080
  spoilbook backup --to ./backup --data ./spoilbook-data
  spoilbook backup --verify ./backup`,
		Args: exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			if (to == "") == (verify == "") {
				return &usageError{"backup", errors.New("give one of --to and --verify, with a folder")}
			}
			if verify != "" {
				return verifyBackup(c.Context(), verify, c.OutOrStdout(), c.ErrOrStderr())
			}
			return withSource(c, o, func(ctx context.Context, src backup.Source, people func(context.Context) (access.People, error)) error {
				if err := runBackup(ctx, src, to, c.OutOrStdout(), c.ErrOrStderr()); err != nil {
					return err
				}
				all, err := people(ctx)
				if err != nil {
					return ledger.Wrap(ledger.Internal, err, "the ledger is copied to %s, and users and tokens are not", to)
				}
				return keepPeople(to, all, c.OutOrStdout())
			})
		},
	}
	addSiteFlags(c, &o)
	c.Flags().StringVar(&to, "to", "", "`folder` of the backup; it is made where it is missing")
	c.Flags().StringVar(&verify, "verify", "", "`folder` of a backup to check")
	return c
}

// withSource opens a ledger to be copied: at a server, or its store here.
func withSource(c *cobra.Command, o siteOptions, f func(context.Context, backup.Source, func(context.Context) (access.People, error)) error) (err error) {
	ctx := c.Context()
	if o.server != "" {
		remote, err := o.client()
		if err != nil {
			return err
		}
		return f(ctx, remote, func(ctx context.Context) (access.People, error) {
			all, err := remote.CopyPeople(ctx)
			if ledger.CodeOf(err) == ledger.Conflict { // it was started with --open
				return access.People{}, nil
			}
			return all, err
		})
	}
	s, err := openSite(ctx, o, false, c.ErrOrStderr())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.close()) }()
	return f(ctx, s.store, s.copyPeople)
}

func runBackup(ctx context.Context, src backup.Source, to string, stdout, stderr io.Writer) error {
	folder := backup.Dir(to)
	if err := folder.Make(); err != nil {
		return err
	}
	tell, done := countEvents(stderr, "copying")
	r, err := backup.Run(ctx, src, folder, backup.Options{Now: time.Now(), Progress: tell})
	if err = errors.Join(err, done()); err != nil {
		return ledger.Wrap(ledger.Internal, err, "backup to %s", to)
	}
	_, err = fmt.Fprintf(stdout, "position %d, root %x: %d segments and %d bytes added, %d segments and %d bytes in all\n",
		r.Position, r.Root, r.SegmentsAdded, r.BytesAdded, r.Segments, r.Bytes)
	return err
}

func verifyBackup(ctx context.Context, folder string, stdout, stderr io.Writer) error {
	tell, done := countEvents(stderr, "checking")
	s, err := backup.Check(ctx, backup.Dir(folder), tell)
	if err = errors.Join(err, done()); err != nil {
		return ledger.Wrap(ledger.Internal, err, "backup in %s", folder)
	}
	_, err = fmt.Fprintf(stdout, "position %d, root %x: %d events in %d blocks and %d quarantined messages read; every hash and root agrees\nmade %s, %d segments, %d bytes\n",
		s.Position, s.Root, s.Position, s.Blocks, s.Entries, s.Made.Format(time.RFC3339), s.Segments, s.Bytes)
	return err
}

// countEvents shows on a terminal how many events are done.
func countEvents(w io.Writer, what string) (tell backup.Progress, done func() error) {
	bar := newProgress(w, what, -1)
	return func(n, total uint64) {
		bar.ChangeMax64(int64(max(total, 1)))
		_ = bar.Set64(int64(min(n, total))) // what is shown is no part of the work
	}, bar.Finish
}
