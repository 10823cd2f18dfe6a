"""Ask the public databases about known holes in what is shipped; needs a network.

``python -m tests.supply_chain.audit`` ends with 0 only where both audits took place and found
nothing. Without a network it says NOT AUDITED and ends with 1: silence is no result.
"""

import subprocess
import sys

from tests.supply_chain.locks import ROOT

_CLEAN_PYTHON = "no known vulnerabilities found"
_CLEAN_NPM = "found 0 vulnerabilities"


def judge_python(code: int, output: str, errors: str) -> str:
    """Say what a run of pip-audit tells: AUDITED, VULNERABLE or NOT AUDITED with why."""
    told = f"{output}\n{errors}".lower()
    if "known vulnerabilit" in told and "no known" not in told:
        return f"VULNERABLE Python components:\n{output}"
    if code == 0 and _CLEAN_PYTHON in told and "could not be audited" not in told:
        return "AUDITED"
    return f"NOT AUDITED Python components: {errors.strip()[-200:] or output.strip()[-200:]}"


def judge_npm(code: int, output: str) -> str:
    """Say what a run of npm audit tells: AUDITED, VULNERABLE or NOT AUDITED with why."""
    told = output.lower()
    if code == 0 and _CLEAN_NPM in told:
        return "AUDITED"
    if "vulnerabilities (" in told or "severity:" in told:
        return f"VULNERABLE npm components:\n{output}"
    return f"NOT AUDITED npm components: {output.strip()[-200:]}"


def main() -> int:
    """Run both audits."""
    python = _run(
        sys.executable, "-m", "pip_audit", "--strict", "-r", str(ROOT / "requirements.lock")
    )
    npm = _run(sys.executable, "pwa/run_npm.py", "audit", "--omit=dev")
    verdicts = [
        judge_python(python.returncode, python.stdout, python.stderr),
        judge_npm(npm.returncode, npm.stdout + npm.stderr),
    ]
    print(*verdicts, sep="\n")
    return 0 if verdicts == ["AUDITED", "AUDITED"] else 1


def _run(*command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, cwd=ROOT, check=False, capture_output=True, text=True)


if __name__ == "__main__":
    sys.exit(main())
