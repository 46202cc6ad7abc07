package engine

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// Backup writes a database into one new archive, whose name ends in .tar,
// .tar.gz or .tar.zst, and which must lie in the backup directory of the
// options and must not exist. With a base, an earlier archive
// of the same database, only what changed since is written, and the base must
// stay where it is. When Backup returns without an error, the archive is on
// the disk. After an error there is no archive.
func (e *Engine) Backup(ctx context.Context, database, file, base string) error {
	fail := func(err error) error {
		return fmt.Errorf("back up the database %s to %s: %w", database, file, err)
	}
	if err := ctx.Err(); err != nil {
		return fail(err)
	}
	file, err := e.backupPath(file)
	if err != nil {
		return fail(err)
	}
	if base != "" {
		if base, err = e.backupPath(base); err != nil {
			return fail(err)
		}
		if _, err := os.Stat(base); err != nil {
			return fail(fmt.Errorf("the base archive: %w", err))
		}
	}
	if _, err := os.Lstat(file); !errors.Is(err, os.ErrNotExist) {
		return fail(errors.New("the archive exists already; give every backup its own name"))
	}
	if err := e.archive(ctx, database, file, base); err != nil {
		if removeErr := os.Remove(file); removeErr != nil && !errors.Is(removeErr, os.ErrNotExist) {
			err = errors.Join(err, removeErr)
		}
		return fail(err)
	}
	if err := syncFile(file); err != nil {
		return fail(err)
	}
	return nil
}

// archive runs the backup of an existing database.
func (e *Engine) archive(ctx context.Context, database, file, base string) error {
	return e.withSession(ctx, func(c *connection) error {
		d, dLen := text(database)
		f, fLen := text(file)
		b, bLen := optionalText(base)
		return c.discard(c.library.backup(c.handle, d, dLen, f, fLen, b, bLen))
	})
}

// Restore reads an archive of Backup into a database that has no tables yet,
// or is not there yet. When it returns without an error, the tables are on the
// disk. After an error the database may hold a part of them; drop it.
func (e *Engine) Restore(ctx context.Context, database, file string) error {
	fail := func(err error) error {
		return fmt.Errorf("restore the database %s from %s: %w", database, file, err)
	}
	file, err := e.backupPath(file)
	if err != nil {
		return fail(err)
	}
	if _, err := os.Stat(file); err != nil {
		return fail(err)
	}
	err = e.withSession(ctx, func(c *connection) error {
		count, err := c.scalar("SELECT toString(count()) FROM system.tables WHERE database = {d:String}",
			parameters{[]string{"d"}, []string{escapeParameter(database)}})
		if err != nil {
			return err
		}
		if count != "0" {
			return fmt.Errorf("the database has %s tables, and a restore would add to them; drop it or choose another name", count)
		}
		d, dLen := text(database)
		f, fLen := text(file)
		return c.discard(c.library.restore(c.handle, d, dLen, f, fLen))
	})
	if err != nil {
		return fail(err)
	}
	if err := syncFileSystem(e.options.Dir); err != nil {
		return fail(fmt.Errorf("sync the data directory: %w", err))
	}
	return nil
}

// backupPath makes a path absolute and keeps it in the backup directory.
func (e *Engine) backupPath(file string) (string, error) {
	dir := e.options.BackupDir
	if dir == "" {
		return "", errors.New("the engine was opened without a backup directory")
	}
	absolute, err := filepath.Abs(file)
	if err != nil {
		return "", err
	}
	if within, err := filepath.Rel(dir, absolute); err != nil || !filepath.IsLocal(within) || strings.HasPrefix(within, ".") {
		return "", fmt.Errorf("%s is not in the backup directory %s", absolute, dir)
	}
	if !slices.ContainsFunc([]string{".tar", ".tar.gz", ".tar.zst"}, func(end string) bool { return strings.HasSuffix(absolute, end) }) {
		return "", fmt.Errorf("the name of the archive %s must end in .tar, .tar.gz or .tar.zst", absolute)
	}
	return absolute, nil
}

// withSession runs f on a session of its own kind, which a done context kills.
func (e *Engine) withSession(ctx context.Context, f func(*connection) error) error {
	r, err := e.begin(ctx, false, sessionKey{})
	if err != nil {
		return err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.ended {
		return context.Cause(r.ctx)
	}
	defer r.finish()
	if err := f(r.session); err != nil {
		return r.cause(err)
	}
	return nil
}

// syncFile puts a file and its name on the disk.
func syncFile(name string) error {
	file, err := os.Open(name)
	if err != nil {
		return err
	}
	defer file.Close()
	if err := file.Sync(); err != nil {
		return err
	}
	dir, err := os.Open(filepath.Dir(name))
	if err != nil {
		return err
	}
	defer dir.Close()
	return dir.Sync()
}
