#!/bin/sh
# Plays a frosty night at the invented Curlew Yard on this machine: the real controller, a real broker, a real
# forecast request, and a simulated house with its boards and probes.  Nothing here can switch anything real.
#
#   sh deploy/try.sh [NIGHT] [options of `rimeward rehearse`]
#
# Makes .venv beside this file's folder; needs Python 3.11 or newer, and no root.
set -eu
cd "$(dirname "$0")/.."
. deploy/common.sh

need_python
need_mosquitto || true
make_venv .venv
if [ -n "$MOSQUITTO" ]; then
  install_locked .venv requirements.lock
  RIMEWARD_MOSQUITTO=$MOSQUITTO
  export RIMEWARD_MOSQUITTO
else
  say "No mosquitto here and no way to fetch it: the rehearsal falls back to a broker in pure Python."
  say "Its limits are said on screen. For the real one: apt-get install mosquitto"
  install_locked .venv requirements-rehearsal.lock
fi
install_rimeward .venv
say "Playing a night. Ctrl-C ends it."
exec .venv/bin/rimeward rehearse "$@"
