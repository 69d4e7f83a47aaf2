#!/bin/sh
# The command `rimeward` of this computer, placed as /usr/local/bin/rimeward by install.sh: the release in use, as
# the service's user and with the service's state.  Started otherwise, a command would keep a state of its own in
# the caller's home, or leave files of root's there that the service cannot read.
set -eu

as_service() {
  case $(id -un) in
    rimeward) exec "$@" ;;
    root) exec runuser -u rimeward -- "$@" ;;
    *) exec sudo -u rimeward -- "$@" ;;
  esac
}

(as_service true) || { echo "rimeward runs as the user rimeward here; as root, or by sudo, you may." >&2; exit 1; }
for word in "$@"; do
  file=${word#--*=}
  [ ! -f "$file" ] || (as_service test -r "$file") || {
    echo "$file cannot be read by the user rimeward, as whom this command runs. Copy it to where everybody can" \
      "read it, such as /tmp; the service's own site file is /etc/rimeward/site.toml." >&2
    exit 1
  }
done
as_service env STATE_DIRECTORY=/var/lib/rimeward OPENBLAS_NUM_THREADS=1 PYTHONUTF8=1 \
  "${RIMEWARD_PREFIX:-/opt/rimeward}/venv/bin/rimeward" "$@"
