"""The wheel carries what a unit needs: the built app, the catalogue, rule files, migrations."""

import os
import subprocess
import sys
import zipfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_the_wheel_carries_the_built_app_and_the_data(tmp_path):
    pip = [sys.executable, "-m", "pip", "wheel", "-q", "--disable-pip-version-check"]
    made = subprocess.run(
        [*pip, "--no-deps", "--no-build-isolation", "-w", str(tmp_path), str(ROOT)],
        env={**os.environ, "SKIP_PWA_BUILD": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert made.returncode == 0, made.stderr
    (wheel,) = tmp_path.glob("crura-*.whl")
    names = set(zipfile.ZipFile(wheel).namelist())

    assert {
        "api/static/index.html",
        "api/static/sw.js",
        "api/record_catalogue/catalogue.json",
        "api/record_catalogue/conflict_effects.json",
        "api/clinical_rules/data/in_force.json",
        "api/storage/migrations/versions/0001_create_operation_log.py",
        "sync/merge.py",
    } <= names
    assert any(name.startswith("api/static/assets/sqlite3-") for name in names)
    assert not any(name.startswith(("tests/", "pwa/")) for name in names)
