"""What is installed is what was locked: a changed package is refused."""

import re
import subprocess
import sys
import zipfile
from hashlib import sha256
from pathlib import Path

import pytest

TOP = Path(__file__).parents[1]
LOCKS = sorted(TOP.glob("requirements*.lock"))


@pytest.mark.fault("N17")
@pytest.mark.parametrize("lock", LOCKS, ids=lambda path: path.name)
def test_every_locked_package_has_a_version_and_a_hash(lock):
    entries = re.split(r"\n(?=\S)", lock.read_text())
    packages = [entry for entry in entries if entry and not entry.startswith("#")]
    assert len(packages) > 10
    for entry in packages:
        assert re.match(r"[a-z0-9._-]+(\[[a-z0-9,_-]+\])?==\S+", entry), entry
        assert re.search(r"--hash=sha256:[0-9a-f]{64}", entry), entry


def test_the_scripts_install_by_hash_only_and_nothing_that_no_lock_names():
    assert "--no-deps --require-hashes" in (TOP / "deploy" / "common.sh").read_text()


@pytest.mark.fault("N17")
def test_a_package_that_was_tampered_with_is_not_installed(tmp_path, met):
    wheel, info = tmp_path / "frostword-1.0-py3-none-any.whl", "frostword-1.0.dist-info"
    with zipfile.ZipFile(wheel, "w") as archive:
        archive.writestr("frostword.py", "x = 1\n")
        archive.writestr(f"{info}/METADATA", "Metadata-Version: 2.1\nName: frostword\nVersion: 1.0\n")
        archive.writestr(f"{info}/WHEEL", "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n")
        archive.writestr(f"{info}/RECORD", "")
    lock = tmp_path / "lock"
    lock.write_text(f"frostword==1.0 --hash=sha256:{sha256(wheel.read_bytes()).hexdigest()}\n")

    def install():
        pip = [sys.executable, "-m", "pip", "install", "--dry-run", "--no-index", "--no-deps"]
        command = [*pip, "--find-links", tmp_path, "--require-hashes", "-r", lock]
        return subprocess.run(command, capture_output=True, text=True, check=False)

    assert install().returncode == 0
    with zipfile.ZipFile(wheel, "a") as archive:
        archive.writestr("more.py", "x = 2\n")
    refused = install()
    assert refused.returncode != 0
    assert "DO NOT MATCH THE HASHES" in refused.stderr
    met(reaction="none: not installed", alarm="none: not installed")
