# The chores of the repository. `make help` lists them.
#
# What is needed is Rust and a linker; for the firmware avr-gcc, for its tests a simulator of the chips. `make` sets these up itself
# where it may (root on Debian), or names what is missing and does the rest without.

CARGO ?= cargo
DEMO_OUT ?= demo-out
# Anything but 0: the demo ends after printing, and starts no station.
ONCE ?= 0
# Port of the demo's station on this machine.
DEMO_PORT ?= 7480
TIDEWRIGHT = $(or $(CARGO_TARGET_DIR),target)/release/tidewright
HARBOUR_LANE = examples/harbour-lane
# What the demo runs of each FMEA, so that both end within a minute on two cores: the draft fails under nominal conditions already,
# the mended design has to stand at every corner.
DRAFT_STUDY ?= --nominal
SYSTEM_STUDY ?=
PROGRESS ?= auto
# Date against which reviews of accepted risks are judged; empty: today.
DATE ?=
DATE_OPTION = $(if $(DATE),--date $(DATE))

# What the page is built from.
PAGE_SOURCES = page/src page/public page/worker page/index.html page/package.json page/package-lock.json page/vite.config.ts page/tsconfig.json

.NOTPARALLEL:
.PHONY: help demo test lint unit doc fuzz bench fmt section setup setup-firmware setup-peers setup-page firmware check-firmware sizes long endure outside deb page test-page check-page check-loop

help:
	@echo "make demo     build, audit and break both Harbour Lane files, write the reports to $(DEMO_OUT)/, start the station"
	@echo "              (ONCE=1: without the station)"
	@echo "make test     formatting, lints, every test, documentation tests"
	@echo "make bench    measured claims: seconds for a simulated year, FMEA scans per second"
	@echo "make firmware the runtime images of all chips, which the command line embeds"
	@echo "make sizes    flash and SRAM of the firmware, by module, against the snapshot"
	@echo "make long     the long runs: the firmware's differential, fuzzing, simulated chips, power cuts (an hour), and make endure"
	@echo "make endure   the station killed 200 times, with full and failing disks, with twenty boards for an hour of theirs"
	@echo "make outside  the station's API against schemathesis and a reader of metrics, both from PyPI"
	@echo "make deb      the Debian package, with the station as a service"
	@echo "make fmt      format all Rust code"
	@echo "make page     the page of the station, which the program embeds; make check-page its tests"
	@echo "make check-loop  a revision from edit to roll back, by command and by page, against the simulated chip"
	@echo "make section  draw docs/harbour-lane.svg again"

# Says what is missing before a compiler says it less clearly; installs a linker where that needs no question.
setup:
	@command -v $(CARGO) >/dev/null 2>&1 || { \
	  echo "make: Rust is missing. Install it from https://rustup.rs (rustc and cargo 1.90 or newer), then run make again." >&2; exit 2; }
	@command -v cc >/dev/null 2>&1 || { \
	  if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then \
	    echo "make: installing a C compiler, which Rust links with (apt-get install gcc libc6-dev)"; \
	    apt-get update -qq && apt-get install -y -qq --no-install-recommends gcc libc6-dev; \
	  else \
	    echo "make: a C compiler is missing; Rust links with it. On Debian: sudo apt-get install gcc libc6-dev" >&2; exit 2; \
	  fi; }

# Without these the rest still builds; what needs the chips says what is missing.
setup-firmware: setup
	@missing=""; \
	command -v avr-gcc >/dev/null 2>&1 && [ -d /usr/lib/avr/include ] || missing="$$missing gcc-avr avr-libc"; \
	command -v cppcheck >/dev/null 2>&1 || missing="$$missing cppcheck"; \
	[ -e /usr/include/simavr/sim_avr.h ] && [ -e /usr/include/gelf.h ] || missing="$$missing libsimavr-dev libelf-dev"; \
	[ -d /usr/share/arduino/hardware/arduino/avr/cores ] || missing="$$missing arduino-core-avr"; \
	if [ -n "$$missing" ]; then \
	  if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then \
	    echo "make: installing for the firmware:$$missing"; \
	    apt-get update -qq && apt-get install -y -qq --no-install-recommends $$missing >/dev/null; \
	  else \
	    echo "make: without the firmware's tools; on Debian: sudo apt-get install$$missing" >&2; \
	  fi; \
	fi

# Without a broker the tests that need one say so and are left out.
setup-peers: setup
	@if ! { [ -x /usr/sbin/mosquitto ] && [ -x /usr/bin/mosquitto_sub ]; }; then \
	  if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then \
	    echo "make: installing a broker for the tests: mosquitto mosquitto-clients"; \
	    apt-get update -qq && apt-get install -y -qq --no-install-recommends mosquitto mosquitto-clients >/dev/null; \
	  else \
	    echo "make: without a broker for the tests; on Debian: sudo apt-get install mosquitto mosquitto-clients" >&2; \
	  fi; \
	fi

# Without Node the page is left out; `page` says so.
setup-page:
	@if ! command -v npm >/dev/null 2>&1 && [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then \
	  echo "make: installing for the page: nodejs npm"; \
	  apt-get update -qq && apt-get install -y -qq --no-install-recommends nodejs npm >/dev/null || true; \
	fi

firmware: setup-firmware
	@if command -v avr-gcc >/dev/null 2>&1; then $(CARGO) xtask firmware; \
	else echo "no avr-gcc: the runtime images are left out, and tidewright build says so"; fi

# Static checks and strict warnings of all C, sizes against the snapshot, the sketch against its core.
check-firmware: setup-firmware
	@if command -v avr-gcc >/dev/null 2>&1 && command -v cppcheck >/dev/null 2>&1; then \
	  echo "make -C firmware check sizes"; $(MAKE) --no-print-directory -C firmware -s check && $(MAKE) --no-print-directory -C firmware -s sizes; \
	else echo "no avr-gcc or cppcheck: the checks of the C code are left out"; fi
	@if command -v avr-g++ >/dev/null 2>&1 && [ -d /usr/share/arduino/hardware/arduino/avr/cores ]; then \
	  echo "firmware/port/arduino/check.sh"; sh firmware/port/arduino/check.sh; \
	else echo "no arduino-core-avr: the sketch is not compiled"; fi

sizes: setup-firmware
	@$(MAKE) --no-print-directory -C firmware sizes

demo: setup page
	@echo "Building; the first time takes a few minutes ..."
	@$(CARGO) build --release --quiet -p tidewright
	@mkdir -p $(DEMO_OUT)
	@for file in first-draft system; do \
	  case $$file in \
	    first-draft) study="$(DRAFT_STUDY)" ;; \
	    *) study="$(SYSTEM_STUDY)" ;; \
	  esac; \
	  echo; echo "======== $(HARBOUR_LANE)/$$file.toml ========"; echo; \
	  $(TIDEWRIGHT) audit $(HARBOUR_LANE)/$$file.toml --brief; [ $$? -lt 2 ] || exit 2; echo; \
	  $(TIDEWRIGHT) report $(HARBOUR_LANE)/$$file.toml -o $(DEMO_OUT)/$$file.html --force --progress $(PROGRESS) $$study $(DATE_OPTION); \
	  [ $$? -lt 2 ] || exit 2; \
	done
	@echo
	@echo "The reports, each one page for any browser:"
	@for file in first-draft system; do echo "  $(CURDIR)/$(DEMO_OUT)/$$file.html"; done
	@echo
	@echo "To keep within a minute the demo breaks the first draft under nominal conditions only; its corners make it worse:"
	@echo "  $(TIDEWRIGHT) fmea $(HARBOUR_LANE)/first-draft.toml"
	@if [ "$(ONCE)" = 0 ]; then \
	  echo; echo "======== the station, with $(HARBOUR_LANE)/system.toml on a board of software ========"; echo; \
	  echo "Three weeks of history, with a top-off pump that welded, a return pump that stood still and a return line that is half blocked. What it keeps is in $(DEMO_OUT)/station."; \
	  echo "Open the address below, make the first account with the code, and look; Ctrl-C ends it."; echo; \
	  exec $(TIDEWRIGHT) serve $(HARBOUR_LANE)/station.toml --data $(DEMO_OUT)/station --port $(DEMO_PORT); \
	else echo "Done."; fi

# Twice the cores: every tenth test waits for a clock, a network or a disk most of its time.
TEST_THREADS ?= $(shell echo $$(( $$(nproc 2>/dev/null || echo 2) * 2 )))

# The runner prints its summary last: nothing may follow it but what it says.
test: setup setup-peers firmware test-page lint check-firmware fuzz doc unit

lint: setup
	$(CARGO) fmt --all --check
	$(CARGO) clippy --workspace --all-targets --quiet -- -D warnings
	$(CARGO) check --package program --no-default-features --lib --quiet

# That the fuzz targets compile; running them takes a nightly compiler (fuzz/README.md).
fuzz: setup
	$(CARGO) check --quiet --manifest-path fuzz/Cargo.toml --no-default-features --target-dir $(or $(CARGO_TARGET_DIR),target)

doc: setup
	$(CARGO) test --workspace --doc --quiet

unit: setup
	@if $(CARGO) nextest --version >/dev/null 2>&1; then \
	  echo "$(CARGO) nextest run --workspace"; \
	  $(CARGO) nextest run --workspace --test-threads $(TEST_THREADS) --no-fail-fast --status-level fail --final-status-level fail; \
	else \
	  echo "$(CARGO) test --workspace"; $(CARGO) test --workspace --all-targets; \
	fi

bench: setup
	$(CARGO) bench --workspace

fmt: setup
	$(CARGO) fmt --all

# The page of the station. Without Node 20 or newer the program is built without it, and says so. It is `npm install`, which keeps to the lock file,
# and not `npm ci`, which refuses the lock because one of its optional packages (for another system) is in no registry. What is newer than its
# sources stays, for the program is built again whenever the page is.
page: setup-page
	@if ! { command -v npm >/dev/null 2>&1 && node -e 'process.exit(process.versions.node.split(".")[0] < 20 ? 1 : 0)'; }; then \
	  echo "no Node 20 or newer with npm: the page is left out, and tidewright serve says so"; \
	elif ! [ -e page/dist/index.html ] || [ -n "$$(find $(PAGE_SOURCES) -type f -newer page/dist/index.html)" ]; then \
	  echo "npm install && npm run build, in page/"; \
	  cd page; npm install --silent --no-save --no-audit --no-fund \
	    || { echo "npm could not install what the page needs: the page is left out, and tidewright serve says so"; exit 0; }; \
	  npm run --silent build; \
	fi

# The page's logic; its tests in a browser are check-page.
test-page: page
	@if ! command -v npm >/dev/null 2>&1; then echo "no npm: the tests of the page are left out"; exit 0; fi; \
	cd page; [ -d node_modules ] || npm install --silent --no-save --no-audit --no-fund; \
	echo "npm test, in page/"; npm test --silent

check-page: page
	@if command -v npm >/dev/null 2>&1; then cd page && npm run --silent browser; fi

# The whole loop of a revision against the real image on a simulated chip: by command (a test of the suite as well) and by page.
LOOP_TARGET = $(shell $(CARGO) metadata --format-version 1 --no-deps 2>/dev/null | sed -n 's/.*"target_directory":"\([^"]*\)".*/\1/p')
check-loop: setup-firmware page
	$(CARGO) build --quiet -p tidewright
	$(CARGO) build --quiet -p firmware-bench --example chip_board
	$(CARGO) test --quiet -p tidewright --test cli the_whole_loop -- --nocapture
	@if command -v npm >/dev/null 2>&1; then cd page && \
	  TIDEWRIGHT=$(LOOP_TARGET)/debug/tidewright CHIP_BOARD=$(LOOP_TARGET)/debug/examples/chip_board npx vitest run --config browser.config.ts tests/browser/loop.test.ts; \
	else echo "no npm: the loop by page is left out"; fi

section: setup
	$(CARGO) run --quiet -p tidewright -- section $(HARBOUR_LANE)/system.toml --out docs/harbour-lane.svg --force

# What the suite runs in a few seconds, at length; each line can be run alone. About an hour on two cores.
long: setup-firmware firmware endure
	$(CARGO) run --release -p firmware-host --example differential -- 500000
	$(CARGO) run --release -p firmware-bench --example chip_differential -- 10000
	$(CARGO) run --release -p firmware-bench --example six_hours
	$(CARGO) run --release -p firmware-bench --example power_cuts -- 2000
	$(CARGO) run --release -p firmware-host --example eeprom_wear
	$(MAKE) --no-print-directory -C firmware fuzz-link fuzz-network N=10000000

# The whole station as a process, in a release build; some 20 minutes. A small disk that fills up takes root.
ENDURE = $(CARGO) test --release --package tidewright --test endure --
endure: setup
	STATION_KILLS=200 $(ENDURE) killed --nocapture
	DISK_FAILURES=60 $(ENDURE) disk --nocapture --test-threads 1
	CROWD_MINUTES=60 CROWD_SPEED=12 IDLE_BOARDS=20 IDLE_SECONDS=30 $(ENDURE) crowd --nocapture --test-threads 1

# Against programs of others: what PyPI has comes into a folder of its own.
outside: page
	@command -v python3 >/dev/null 2>&1 && command -v curl >/dev/null 2>&1 || { \
	  echo "make: python3 (with venv) and curl are missing; on Debian: sudo apt-get install python3-venv curl" >&2; exit 2; }
	sh crates/station/tests/outside/check.sh

# The page and the runtime images are in the program, so they come first.
deb: setup firmware page
	@$(CARGO) deb --version >/dev/null 2>&1 || { echo "$(CARGO) install cargo-deb --locked"; $(CARGO) install cargo-deb --locked; }
	$(CARGO) deb -p tidewright
