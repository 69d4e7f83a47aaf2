#!/bin/sh
# Installs Rimeward as a service on this computer, or brings an installed one up to this checkout's state.
#
#   sudo sh deploy/install.sh SITE.toml [--now]
#
# Afterwards `rimeward` is a command on this computer: /usr/local/bin/rimeward, as the service's user and on its state.
# Every release gets a virtual environment of its own under /opt/rimeward/releases; /opt/rimeward/venv points to
# the one in use.  A new one gets the extras that the one before it has, such as messengers, and must accept your
# site file and hold a rehearsed night before anything is changed.  When it then does not come up and stay up, the
# one before it is put back.  Nothing is changed while the coming six hours need heat, or where that cannot be told,
# unless you say --now.  Meanwhile boards heat by themselves.
set -eu
cd "$(dirname "$0")/.."
. deploy/common.sh
. deploy/release.sh

[ $# -ge 1 ] || { say "Name your site file: sudo sh deploy/install.sh my-site.toml"; exit 2; }
site=$1
now=${2:-}
[ -r "$site" ] || { say "$site cannot be read. Copy config/curlew-yard.toml and describe your site in it."; exit 2; }

need_python
prefix=${RIMEWARD_PREFIX:-/opt/rimeward}
version=$(sed -n 's/^version = "\(.*\)"/\1/p' pyproject.toml)
release=$prefix/releases/$version-$(date -u +%Y%m%dT%H%M%SZ)
mkdir -p "$prefix/releases"
make_venv "$release"
install_locked "$release" requirements.lock
install_rimeward "$release"
carry_extras "$prefix" "$release" "$site" || { rm -rf "$release"; exit 1; }
try_release "$release" "$site" || { rm -rf "$release"; exit 1; }
night_is_far "$prefix" "$site" "$now" || { rm -rf "$release"; exit 1; }
place_files "$site"
take_up "$prefix" "$release"
forget_old "$prefix"
