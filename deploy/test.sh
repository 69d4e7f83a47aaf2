#!/bin/sh
# Runs every check and test of Rimeward: style, types, import order, tests, coverage of the core.
#
#   sh deploy/test.sh [options of pytest]
#
# Makes .venv-test beside this file's folder; needs Python 3.11 or newer.  Installs Debian's mosquitto and
# chromium when root; where one is missing, the tests that need it are skipped and listed.
set -eu
cd "$(dirname "$0")/.."
. deploy/common.sh

need_python
need_mosquitto || say "No mosquitto here: the tests against it are skipped. As root: apt-get install mosquitto"
need_chromium || say "No Chromium here: the browser tests are skipped. As root: apt-get install chromium"
make_venv .venv-test
install_locked .venv-test requirements-test.lock
install_rimeward .venv-test -e
# a lock that lacks something is found here, since nothing is installed that it does not name
.venv-test/bin/pip check --quiet --disable-pip-version-check
[ -z "$MOSQUITTO" ] || { RIMEWARD_MOSQUITTO=$MOSQUITTO; export RIMEWARD_MOSQUITTO; }
OPENBLAS_NUM_THREADS=1
export OPENBLAS_NUM_THREADS
bin=.venv-test/bin
"$bin/ruff" check .
"$bin/ruff" format --check .
"$bin/mypy"
"$bin/lint-imports"
# one worker more than there are cores, for tests that wait; "-n 0" after it runs everything in one process
workers=$(($(getconf _NPROCESSORS_ONLN) + 1))
[ "$workers" -le 4 ] || workers=4
"$bin/python" -m pytest -m "not long" -n "$workers" --dist worksteal --cov --cov-report= "$@"
# The core decides about crops: every branch of it must have been walked in a test.
"$bin/coverage" report --show-missing --skip-covered --fail-under=100 \
  --include='controller/physics.py,controller/thermal/*,controller/crop/*,controller/plan/*,controller/guard/*,controller/keeper.py'
"$bin/coverage" report --skip-covered --fail-under=85
