#!/bin/sh
# Installs what the tests need on a Debian machine that has Go and npm, and runs
# every check of the project. It stops at the first that fails, with its name and
# what to do.
#
#   sh deploy/check.sh           everything: about a quarter of an hour on two cores
#   sh deploy/check.sh --quick   no race detector, no fuzzing, no benchmarks
#
# It writes nothing into the checkout but the node_modules folders, and keeps the
# engine (566 MB) in the user's cache or in SPOILBOOK_ENGINE_CACHE.
set -u

STATICCHECK=honnef.co/go/tools/cmd/staticcheck@v0.7.0
GOVULNCHECK=golang.org/x/vuln/cmd/govulncheck@v1.9.0
FUZZ_TIME=10s
GO_FOLDERS='cmd services events reports'

quick=no
case "${1-}" in
	'') ;;
	--quick) quick=yes ;;
	*) echo "usage: sh deploy/check.sh [--quick]" >&2; exit 2 ;;
esac

cd "$(dirname "$0")/.." || exit 1
scratch=$(mktemp -d) || exit 1
trap 'rm -rf "$scratch"' EXIT
trap 'exit 130' INT TERM
log=$scratch/log
# The checks use the embedded broker and engine, whatever the user's shell names.
unset SPOILBOOK_DATA SPOILBOOK_SERVER SPOILBOOK_NATS SPOILBOOK_NATS_CREDS SPOILBOOK_NATS_NKEY SPOILBOOK_CLICKHOUSE

started=$(date +%s)

# step NAME WHAT-TO-DO COMMAND... runs one check and says how long it took.
step() {
	name=$1 remedy=$2
	shift 2
	begun=$(date +%s)
	if "$@" </dev/null; then
		printf 'ok    %-28s %5d s\n' "$name" $(($(date +%s) - begun))
		return
	fi
	printf 'FAIL  %-28s %5d s\n' "$name" $(($(date +%s) - begun))
	printf '  to do: %s\n' "$remedy"
	exit 1
}

# quietly COMMAND... shows what the command printed only when it fails.
quietly() {
	"$@" >"$log" 2>&1 && return
	tail -n 60 "$log"
	return 1
}

tools() {
	for tool in go gofmt npm node; do
		command -v "$tool" >/dev/null || { echo "$tool is not in the PATH"; return 1; }
	done
}

# as_root COMMAND... uses sudo only when it is needed.
as_root() {
	if [ "$(id -u)" -eq 0 ]; then
		"$@"
	else
		sudo "$@"
	fi
}

installed() {
	dpkg -s "$1" 2>/dev/null | grep -q '^Status: .* installed$'
}

packages() {
	if ! command -v dpkg >/dev/null; then
		echo "not a Debian machine: install hledger, units, LibreOffice Calc, Chromium, poppler-utils, openpyxl for Python 3, a font and a C compiler yourself"
		return 0
	fi
	missing=
	for package in hledger units libreoffice-calc-nogui poppler-utils python3-openpyxl chromium; do
		installed "$package" || missing="$missing $package"
	done
	installed fonts-dejavu-core || installed fonts-liberation || missing="$missing fonts-dejavu-core"
	# The race detector needs a C compiler and the headers of the C library.
	command -v gcc >/dev/null || missing="$missing gcc"
	installed libc6-dev || missing="$missing libc6-dev"
	[ -n "$missing" ] || return 0
	echo "installing:$missing"
	quietly as_root env DEBIAN_FRONTEND=noninteractive apt-get -q -o DPkg::Lock::Timeout=300 update || return 1
	# shellcheck disable=SC2086 # a list of names without spaces
	quietly as_root env DEBIAN_FRONTEND=noninteractive apt-get -q -y -o DPkg::Lock::Timeout=300 install --no-install-recommends $missing
}

# node_modules installs what every package-lock.json names, unless that was done
# after the file last changed.
node_modules() {
	find services events reports testdata -name node_modules -prune -o -name package-lock.json -print >"$scratch/locks"
	[ -s "$scratch/locks" ] || { echo "no package-lock.json was found"; return 1; }
	while read -r lock; do
		folder=$(dirname "$lock")
		done_at=$folder/node_modules/.package-lock.json
		[ -f "$done_at" ] && [ -z "$(find "$lock" -newer "$done_at")" ] && continue
		quietly env -C "$folder" npm ci --ignore-scripts --no-audit --no-fund || return 1
	done <"$scratch/locks"
}

build() {
	CGO_ENABLED=0 go build -o "$scratch/spoilbook" ./cmd/spoilbook
}

# engine has the program itself fetch and open the pinned engine, in a ledger of
# its own.
engine() {
	quietly "$scratch/spoilbook" events --data "$scratch/ledger" --limit 1
}

formatted() {
	# shellcheck disable=SC2086
	gofmt -l $GO_FOLDERS >"$log" 2>&1 || { cat "$log"; return 1; }
	[ ! -s "$log" ] || { cat "$log"; return 1; }
}

staticcheck() {
	go run "$STATICCHECK" ./...
}

# vulnerabilities fails on findings. A database that does not answer is told and
# is no failure, because the machine may have no way out.
vulnerabilities() {
	timeout 600 go run "$GOVULNCHECK" ./... >"$log" 2>&1 && return
	status=$?
	if [ "$status" -eq 124 ] || grep -Eq 'fetching vulnerabilities|dial tcp|no such host|i/o timeout' "$log"; then
		echo "NOT CHECKED: the vulnerability database was not reachable"
		return 0
	fi
	tail -n 60 "$log"
	return 1
}

plain_tests() {
	go test -p 2 -timeout 25m ./...
}

race_tests() {
	CGO_ENABLED=1 go test -race -count=1 -p 2 -timeout 30m ./...
}

# fuzz_one PACKAGE TARGET. At the end of its time the fuzzer sometimes reports its
# own deadline as a failure; without an input that fails that is tried once more.
fuzz_one() {
	for try in 1 2; do
		go test -run '^$' -fuzz "^$2\$" -fuzztime "$FUZZ_TIME" -timeout 10m "$1" >"$log" 2>&1 && return
		grep -q 'context deadline exceeded' "$log" && ! grep -q 'Failing input' "$log" || break
	done
	cat "$log"
	return 1
}

fuzz() {
	# shellcheck disable=SC2086
	grep -rl --include='*_test.go' '^func Fuzz' $GO_FOLDERS | xargs -r -n 1 dirname | sort -u >"$scratch/fuzzed"
	[ -s "$scratch/fuzzed" ] || { echo "no fuzz targets were found"; return 1; }
	while read -r folder; do
		go test -list '^Fuzz' "./$folder" >"$scratch/targets" || return 1
		for target in $(grep '^Fuzz' "$scratch/targets"); do
			begin=$(date +%s)
			fuzz_one "./$folder" "$target" || return 1
			printf '      %-28s %5d s  %s\n' "$target" $(($(date +%s) - begin)) "$folder"
		done
	done <"$scratch/fuzzed"
}

benchmarks() {
	go test -run '^$' -bench . -benchtime 1x -p 1 -timeout 20m ./... >"$log" 2>&1 || { cat "$log"; return 1; }
	grep -q '^Benchmark' "$log" || { cat "$log"; echo "no benchmark ran"; return 1; }
	grep '^Benchmark' "$log"
}

step tools 'install Go 1.26 or later and Node.js 20 or later with npm' tools
step 'Debian packages' 'see the lines above; without root or sudo, have somebody install the packages named' packages
step 'node modules' 'see the lines above; npm must be able to reach its registry' node_modules
step build 'mend what the compiler names' build
step engine 'npm must be able to reach its registry, and 1 GB must be free in the cache folder' engine
step gofmt "run: gofmt -w $GO_FOLDERS" formatted
step 'go vet' 'mend what is named' go vet ./...
step staticcheck 'mend what is named' staticcheck
step govulncheck 'take a version of the module named that is free of the finding' vulnerabilities
if [ "$quick" = yes ]; then
	step tests 'run the failing test alone: go test -run NAME ./its/package' plain_tests
else
	step 'tests with race detector' 'run the failing test alone: go test -race -run NAME ./its/package' race_tests
	step 'fuzz targets' 'the input that fails is in testdata/fuzz of the package: keep it, mend the code' fuzz
	step benchmarks 'run the failing benchmark alone: go test -run NONE -bench NAME ./its/package' benchmarks
fi
printf 'all checks passed in %d s\n' $(($(date +%s) - started))
