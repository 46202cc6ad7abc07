//go:build linux || darwin

package engine

import (
	"fmt"
	"sort"

	"github.com/ebitengine/purego"
)

// bindLibrary opens the shared library and sets every function pointer in
// symbols, which maps C names to pointers to Go function variables. The
// library stays loaded for the life of the process: it starts threads that
// would not survive an unload.
func bindLibrary(path string, symbols map[string]any) error {
	handle, err := purego.Dlopen(path, purego.RTLD_NOW|purego.RTLD_LOCAL)
	if err != nil {
		return err
	}
	names := make([]string, 0, len(symbols))
	for name := range symbols {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		address, err := purego.Dlsym(handle, name)
		if err != nil {
			return fmt.Errorf("the library has no function %s, so it is another version: %w", name, err)
		}
		purego.RegisterFunc(symbols[name], address)
	}
	return nil
}
