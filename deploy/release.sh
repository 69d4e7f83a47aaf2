# shellcheck shell=sh
# Taking up a new release and putting the old one back; read by install.sh, after common.sh.
# SYSTEMCTL, ETC, BIN and SETTLE_S can be named from outside, for tests.

SYSTEMCTL=${SYSTEMCTL:-systemctl}
ETC=${ETC:-/etc}
BIN=${BIN:-/usr/local/bin}
# A release that is still up after this long is taken for good [s]; the service's watchdog ends one whose control
# loop does not turn within 60 s.
SETTLE_S=${SETTLE_S:-90}

# Give a release ($2) the extras that the one in use under $1 has, and what messengers of the site file $3 need.
# The lock file of releases names none: versions are those that the tests ran with.
carry_extras() {
  extras=
  for extra in alarm:apprise board:gpiozero report:matplotlib; do
    ! "$1/venv/bin/python" -c "import ${extra#*:}" 2>/dev/null || extras="$extras,${extra%:*}"
  done
  ! "$2/bin/python" -c '
import sys, tomllib
with open(sys.argv[1], "rb") as file:
    sys.exit(not tomllib.load(file)["alarm"]["messenger"])' "$3" 2>/dev/null || extras="$extras,alarm"
  [ -n "$extras" ] || return 0
  say "Installing the extras ${extras#,} ..."
  sed -n 's/^\([a-z].*==.*\) \\$/\1/p' requirements-test.lock >"$2/.extras"
  "$2/bin/pip" install --quiet --disable-pip-version-check --constraint "$2/.extras" ".[${extras#,}]" && return 0
  say "The extras ${extras#,} cannot be had, and what needs them would stop; nothing was changed. Is the internet there?"
  return 1
}

# A release ($1) that refuses the site file ($2), or fails in a rehearsed night, is not taken up.
try_release() {
  say "Trying the new release ..."
  "$1/bin/rimeward" check "$2" >/dev/null || { say "The new release refuses $2; nothing was changed."; return 1; }
  "$1/bin/rimeward" rehearse clear-calm --fast >/dev/null ||
    { say "The new release does not hold a rehearsed night; nothing was changed."; return 1; }
}

# Tell whether the coming six hours need no heat: the release in use under $1 is asked, for the site file $2.
night_is_far() {
  [ -e "$1/venv" ] || return 0 # a first installation changes nothing that is needed
  [ "$3" != --now ] || return 0
  if ! plan=$(STATE_DIRECTORY=/var/lib/rimeward "$1/venv/bin/rimeward" plan --site "$2" --json 2>/dev/null); then
    say "Whether the coming hours need heat cannot be told. Look at the sky, then give --now."
    return 1
  fi
  # slots of a quarter of an hour, and in each the watts of every tree
  printf '%s' "$plan" | "$1/venv/bin/python" -c '
import json, sys
watts = json.load(sys.stdin)["course"]["string_w"][:24]
sys.exit(any(any(slot) for slot in watts))' && return 0
  say "The coming six hours need heat; come back in the morning, or give --now."
  return 1
}

# Put unit files and the site file ($1) where the service looks for them, and the command where people do; unit
# files that are there are kept.
place_files() {
  mkdir -p "$ETC/rimeward" "$ETC/systemd/system"
  [ "$(readlink -f "$1")" = "$(readlink -f "$ETC/rimeward/site.toml")" ] || install -m 644 "$1" "$ETC/rimeward/site.toml"
  for unit in rimeward rimeward-phone; do
    [ -e "$ETC/systemd/system/$unit.service" ] || cp "deploy/$unit.service" "$ETC/systemd/system/"
  done
  install -D -m 755 deploy/rimeward.sh "$BIN/rimeward"
  id rimeward >/dev/null 2>&1 || as_root useradd --system --home-dir /nonexistent --shell /usr/sbin/nologin rimeward ||
    say "There is no user 'rimeward' yet; the service needs one."
  $SYSTEMCTL daemon-reload
}

# Point venv under $1 to the release $2 and start it; where it does not stay up, put the old one back.
take_up() {
  old=$(readlink "$1/venv" || true)
  _point "$1" "$2"
  if $SYSTEMCTL enable rimeward && _comes_up; then
    $SYSTEMCTL try-restart rimeward-phone || true
    say "Rimeward runs from $2."
    return 0
  fi
  [ -n "$old" ] || { say "It does not come up; see: journalctl -u rimeward. Boards heat meanwhile."; return 1; }
  say "The new release does not stay up; the one before it is put back."
  _point "$1" "$old"
  _comes_up || say "That does not come up either; see: journalctl -u rimeward. Boards heat meanwhile."
  return 1
}

# A link is replaced by renaming, so that there is one at every moment.
_point() {
  ln -sfn "$2" "$1/venv.new"
  mv -T "$1/venv.new" "$1/venv"
}

# It must start (Type=notify), and then stay up without having been started again.
_comes_up() {
  $SYSTEMCTL restart rimeward || return 1
  begun=$($SYSTEMCTL show --property=NRestarts --value rimeward)
  sleep "$SETTLE_S"
  $SYSTEMCTL is-active --quiet rimeward && [ "$($SYSTEMCTL show --property=NRestarts --value rimeward)" = "$begun" ]
}

# Keep the release in use under $1 and the newest other one.
forget_old() {
  used=$(readlink "$1/venv")
  kept=0
  # names end in the time of installation, so their order is that of age
  for release in $(printf '%s\n' "$1"/releases/* | sort -r); do
    [ "$release" != "$used" ] || continue
    kept=$((kept + 1))
    [ "$kept" -le 1 ] || rm -rf "$release"
  done
}
