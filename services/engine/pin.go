package engine

// The pinned engine: ClickHouse 26.7 as the shared library of chDB, which its
// authors publish as npm packages under the Apache License 2.0.
const (
	libraryVersion = "26.7.3-stable.1"
	libraryName    = "libchdb.so"
)

// pin is one published archive of the library and what must be in it.
type pin struct {
	archive   string // npm package
	integrity string // SHA-512 of the archive as npm writes it
	size      int64  // bytes of the archive

	librarySize   int64  // bytes
	librarySHA256 string // hexadecimal
}

// pinFor returns the archive for a platform of Go. A platform is added with the
// hashes of its archive, after the tests of this package have passed on it.
func pinFor(goos, goarch string) (pin, bool) {
	switch goos + "/" + goarch {
	case "linux/amd64":
		return pin{
			archive:       "@chdb/lib-linux-x64-gnu",
			integrity:     "sha512-XP97mMqnc5tZpKQywR8N7cLTsHNiTmHr30pC5mzo3jWmukjKn2IBa60c2B/gWUNcuFjOMjWoorQICCqBVj5wpw==",
			size:          177817999,
			librarySize:   566330096,
			librarySHA256: "36ad4e999882821ef13cf2d0f52c93f48e6ee1b4498b35a201c23ce4b8d15bf5",
		}, true
	}
	return pin{}, false
}
