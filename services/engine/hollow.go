package engine

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// A merge that meets a full disk can be stored all the same, with every file empty, and so can an insert: measured with version 26.7. Such a hollow
// part of a merge stands in the place of the parts it was made from, which the engine removes eight minutes later. Until then they can be put back:
// the hollow part is taken out of the table's folder, and the engine, loading the table again, finds the others. One of an insert is taken out as
// well; whoever inserts has to read back what an acknowledged insert has stored, and finds that it is nothing. That is done when the engine starts,
// and while it runs as soon as a statement meets a hollow part. One of a merge whose sources are gone stays where it is, as damage for people to see.

// hollowFolder is where hollow parts are kept, in the engine's folder.
const hollowFolder = "hollow-parts"

// partRange is what a part's name says of it: all_3_17_2 is of partition all, has the blocks 3 to 17 and was merged twice over.
type partRange struct {
	partition   string
	first, last uint64
	level       uint64
}

func rangeOf(name string) (p partRange, ok bool) {
	fields := strings.Split(name, "_")
	if len(fields) < 4 {
		return p, false
	}
	p.partition = fields[0]
	var errs [3]error
	p.first, errs[0] = strconv.ParseUint(fields[1], 10, 64)
	p.last, errs[1] = strconv.ParseUint(fields[2], 10, 64)
	p.level, errs[2] = strconv.ParseUint(fields[3], 10, 64)
	return p, errors.Join(errs[:]...) == nil
}

// covers reports whether a part stands in the place of another.
func (p partRange) covers(other partRange) bool {
	return p.partition == other.partition && p.first <= other.first && other.last <= p.last && other.level < p.level
}

// hollowIn finds the parts of all tables that can be taken out: their folders by the id of their table.
func hollowIn(dir string) (map[string][]string, error) {
	tables, err := filepath.Glob(filepath.Join(dir, "store", "*", "*"))
	if err != nil {
		return nil, err
	}
	found := map[string][]string{}
	for _, table := range tables {
		folders, err := os.ReadDir(table)
		if err != nil {
			if errors.Is(err, os.ErrNotExist) || !isDir(table) {
				continue
			}
			return nil, err
		}
		for _, folder := range folders {
			part, ok := rangeOf(folder.Name())
			if !ok || !hollow(filepath.Join(table, folder.Name())) {
				continue
			}
			if part.level == 0 || slices.ContainsFunc(folders, func(other os.DirEntry) bool {
				source, ok := rangeOf(other.Name())
				return ok && part.covers(source) && !hollow(filepath.Join(table, other.Name()))
			}) {
				found[filepath.Base(table)] = append(found[filepath.Base(table)], filepath.Join(table, folder.Name()))
			}
		}
	}
	return found, nil
}

func isDir(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}

// hollow reports whether a part has files and all are empty. One look is enough for nearly all parts: the list of columns of a sound one is not.
func hollow(part string) bool {
	columns, err := os.Stat(filepath.Join(part, "columns.txt"))
	if err != nil || columns.Size() > 0 {
		return false
	}
	files, err := os.ReadDir(part)
	if err != nil {
		return false
	}
	for _, f := range files {
		if info, err := f.Info(); err != nil || info.Size() > 0 {
			return false
		}
	}
	return true
}

// takeOut puts hollow parts aside.
func takeOut(dir string, parts []string) error {
	aside := filepath.Join(dir, hollowFolder)
	if err := os.MkdirAll(aside, 0o700); err != nil {
		return err
	}
	for _, part := range parts {
		place, err := os.MkdirTemp(aside, filepath.Base(filepath.Dir(part))+"-")
		if err != nil {
			return err
		}
		if err := os.Rename(part, filepath.Join(place, filepath.Base(part))); err != nil {
			return err
		}
	}
	return nil
}

// takeOutAll puts the hollow parts aside of tables that are not loaded: all of them before the engine starts, and the one that mend has detached.
func takeOutAll(dir string) error {
	tables, err := hollowIn(dir)
	for _, parts := range tables {
		err = errors.Join(err, takeOut(dir, parts))
	}
	if err != nil {
		return fmt.Errorf("put parts aside whose merge met a full disk: %w", err)
	}
	return nil
}

// mend puts hollow parts aside while the engine runs: their tables are away for a moment, for which inserts wait. It reports whether there were
// any.
func (e *Engine) mend() (bool, error) {
	e.mending.Lock()
	defer e.mending.Unlock()
	tables, err := hollowIn(e.options.Dir)
	if err != nil || len(tables) == 0 {
		return false, err
	}
	c, err := e.openSession(sessionKey{})
	if err != nil {
		return true, err
	}
	defer c.close()
	for id := range tables {
		name, err := c.tableOf(id)
		if err != nil {
			return true, err
		}
		if err := c.exec("DETACH TABLE " + name + " SYNC"); err != nil {
			return true, err
		}
		if err := e.attach(c, name); err != nil {
			return true, err
		}
	}
	e.mends.Add(1)
	return true, nil
}

// attach takes hollow parts out of a table that is away and loads it again, as soon as the disk has the little room that it takes. At the next
// start it is there in any case.
func (e *Engine) attach(c *connection, name string) error {
	for {
		err := takeOutAll(e.options.Dir)
		if err == nil {
			err = c.exec("ATTACH TABLE " + name)
		}
		if err == nil {
			return nil
		}
		// A session that is not in use can still hold the table for its last statement.
		e.writers.dropIdle()
		e.readers.dropIdle()
		select {
		case <-e.closing:
			return err
		case <-time.After(roomLook):
		}
	}
}

// tableOf returns the quoted name of the table with an id.
func (c *connection) tableOf(id string) (string, error) {
	var names [2]string
	for i, column := range []string{"database", "name"} {
		name, err := c.scalar("SELECT "+column+" FROM system.tables WHERE arrayExists(p -> endsWith(p, "+quoteString("/"+id+"/")+"), data_paths)", parameters{})
		if err != nil || name == "" {
			return "", errors.Join(fmt.Errorf("no table has the id %s", id), err)
		}
		names[i] = quoteName(name)
	}
	return names[0] + "." + names[1], nil
}

// corruption are the codes under which a statement meets a hollow part, one that is just taken out, or a table that is away for a moment.
func corruption(code int) bool {
	switch code {
	case codeUnknownTable, codeCorrupted, codeCannotReadAll, codeNoFileInPart, codeBadSizeInPart, codeUnexpectedEnd, codeAssertionFailed, codeBadPart,
		codeNoFile, codeStdException:
		return true
	}
	return false
}

// mendingNow reports whether tables are loaded again at this moment.
func (e *Engine) mendingNow() bool {
	if !e.mending.TryRLock() {
		return true
	}
	e.mending.RUnlock()
	return false
}

// mended has what can be mended mended, and says then that the statement may be sent again, as it says where that was done since the statement
// began: mends is how often it had been by then.
func (e *Engine) mended(err error, mends int64) error {
	var exception *Exception
	if !errors.As(err, &exception) || !corruption(exception.Code) {
		return err
	}
	tables, scanErr := hollowIn(e.options.Dir)
	if scanErr != nil || len(tables) == 0 {
		if e.mendingNow() || e.mends.Load() != mends {
			return exceptionf(codeNotEnoughSpace, "A merge had met a full disk and was taken back; send the statement again. (NOT_ENOUGH_SPACE)")
		}
		return err
	}
	select {
	case <-e.closing:
		return err
	default:
	}
	if failed := e.mendFailed.Load(); failed != nil {
		return exceptionf(exception.Code, "%s. A merge had met a full disk, and it can not be taken back: %v", exception.Text, *failed)
	}
	e.menders.Go(func() {
		if _, err := e.mend(); err != nil {
			e.mendFailed.Store(&err)
		}
	})
	return exceptionf(codeNotEnoughSpace, "A merge had met a full disk and is taken back; send the statement again. (NOT_ENOUGH_SPACE)")
}
