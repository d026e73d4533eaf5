"""Another document under the same policy and the same version of the method: then recorded advice could not be made
again. ``document_digests.json`` holds the digests of some documents, and under which policy and method.

Where this fails because the method gives other documents, ``METHOD_VERSION`` in ``repairadvisor/decision/method.py``
has to go up; where it fails because policy or version are others, the file is old. This file run as a program,
``python tests/test_document_digests.py``, writes it anew, and refuses while the documents are others under the same
policy and version.

Numbers count to ten digits: exp differs in its last bit between machines, and the file is for all of them. No outside
source: the digests are those of this program.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
from pathlib import Path
from typing import Any

import pytest
from whole_jobs import whole_jobs

from repairadvisor.decision.method import METHOD_VERSION, advise
from repairadvisor.facts.parse import parse_context
from repairadvisor.methods import PreparedMethod, prepared_method
from repairadvisor.schemas.advice import document_bytes
from repairadvisor.settings import cache_folder

FILE = Path(__file__).with_name("document_digests.json")
RENEW = "python tests/test_document_digests.py"
JOBS = (
    "tail-snapped-in-the-frame",
    "flooded-hole-and-six-dark-fibres",
    "alone-over-an-open-cover",
    "television-light-in-the-feeder",
    "om2-ends-and-om4-on-the-reel",
    "four-snapped-in-tray-two",
    "a-broken-plug-and-no-more-said",
    "squirrel-at-the-terminal",
    "parallel-trunk-and-no-trunk-on-the-shelf",
    "plug-up-a-pole-and-little-said",
    "gel-only-and-nobody-knows-the-level",
    "thunder-over-quillmere",
    "low-oxygen-and-no-smell",
    "ferry-at-heron-wharf",
)


def digest(document: bytes) -> str:
    """The SHA-256 of a document whose numbers are cut to ten digits."""
    return hashlib.sha256(json.dumps(_cut(json.loads(document)), sort_keys=True).encode()).hexdigest()


def _cut(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _cut(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_cut(one) for one in value]
    return f"{value:.10g}" if isinstance(value, float) else value


def made(method: PreparedMethod, names: tuple[str, ...] = JOBS) -> dict[str, Any]:
    """What the file holds for this program."""
    found = {
        job.id: digest(document_bytes(advise(parse_context(job.facts, job.now), method.rules)))
        for job in whole_jobs()
        if job.id in names
    }
    return {"policy": method.policy_id, "method": METHOD_VERSION, "documents": found}


def fault(recorded: dict[str, Any], now: dict[str, Any]) -> str:
    """What is wrong with a recorded file beside what this program makes; "" where nothing is."""
    other = [name for name, one in now["documents"].items() if recorded["documents"].get(name) != one]
    if (recorded["policy"], recorded["method"]) == (now["policy"], now["method"]):
        if not other:
            return ""
        return (
            f"other documents under the same policy and method ({', '.join(other)}): METHOD_VERSION in "
            f"repairadvisor/decision/method.py has to go up, then {RENEW}"
        )
    return f"{FILE.name} is of another policy or method: {RENEW}"


@pytest.fixture(scope="module")
def method() -> PreparedMethod:
    return prepared_method(cache_folder(os.environ))


def test_no_document_changed_without_another_version_of_the_method(method: PreparedMethod) -> None:
    assert len(set(JOBS)) == len(made(method)["documents"])
    assert fault(json.loads(FILE.read_text()), made(method)) == ""


def test_another_document_under_the_same_versions_is_told(method: PreparedMethod) -> None:
    now = made(method, JOBS[:1])
    assert fault(now, now) == ""
    assert "METHOD_VERSION" in fault({**now, "documents": {JOBS[0]: "0" * 64}}, now)
    assert fault({**now, "policy": "0" * 64}, now).endswith(RENEW)
    assert fault({**now, "method": "0"}, now).endswith(RENEW)


def test_the_last_bit_of_a_number_does_not_count_and_the_tenth_digit_does() -> None:
    assert digest(b'{"a":[0.1]}') == digest(b'{"a":[0.10000000000000002]}')
    assert digest(b'{"a":[0.1]}') != digest(b'{"a":[0.1000000001]}')
    assert digest(b'{"a":1}') != digest(b'{"a":2}')


def test_renewing_is_refused_while_the_version_is_the_same(
    method: PreparedMethod, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    now = made(method)
    monkeypatch.setattr(sys.modules[__name__], "FILE", tmp_path / "document_digests.json")
    assert renew(now) == 0
    assert json.loads(FILE.read_text()) == now
    changed = {**now, "documents": {**now["documents"], JOBS[0]: "0" * 64}}
    assert renew(changed) == 1
    assert "METHOD_VERSION" in capsys.readouterr().err
    assert json.loads(FILE.read_text()) == now
    assert renew({**changed, "method": f"{METHOD_VERSION}+"}) == 0


def renew(now: dict[str, Any]) -> int:
    """Write the file anew; the exit status."""
    if FILE.exists() and "METHOD_VERSION" in (wrong := fault(json.loads(FILE.read_text()), now)):
        sys.stderr.write(f"{wrong}\n")
        return 1
    FILE.write_text(json.dumps(now, indent=2) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(renew(made(prepared_method(cache_folder(os.environ)))))
