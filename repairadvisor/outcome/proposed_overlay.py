"""What was learnt as the files of an overlay, which somebody may read, change and adopt: nothing here adopts it."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

from repairadvisor.outcome.learning import RECORDS, Learnt, LearntSet
from repairadvisor.policy.overlay import HEAD

JOINTS = "joints.toml"
_DIGITS = 4
_WIDTH = 118


def changed_sets(learnt: Learnt) -> tuple[LearntSet, ...]:
    """The sets of which a spread is another one at four digits."""
    return tuple(one for one in learnt.sets if _spreads(one))


def overlay_files(learnt: Learnt, parent: str, says: Sequence[str]) -> Mapping[str, str]:
    """The files of an overlay, by name, for the sets that change; none where none does.

    ``parent`` is the folder of the overlay on which it lies, "" for the policy that ships; ``says`` what else whoever
    reads it has to know, a paragraph each. Figures hold since the day of the last attempt that is in them: attempts up
    to then are not to be counted again.
    """
    changed = changed_sets(learnt)
    if not changed:
        return {}
    day = max(one.last for one in changed).date().isoformat()
    return {HEAD: _head(day, parent, says), JOINTS: "\n".join(_row(one, learnt) for one in changed)}


def _head(day: str, parent: str, says: Sequence[str]) -> str:
    adopt = (
        "Proposed, and adopted by nobody: that is done by naming this folder in REPAIRADVISOR_POLICY, once somebody "
        "has read it. Every figure says in joints.toml what it was and what stands behind it."
    )
    lines = [line for paragraph in (adopt, *says) for line in [*_comment(paragraph), "#"]][:-1]
    lines += ["", f"name = {_text(f'learnt from joints recorded up to {day}')}"]
    lines += [f"parent = {_text(parent)}"] if parent else []
    lines += [f"files = [{_text(JOINTS)}]"]
    return "\n".join(lines) + "\n"


def _row(one: LearntSet, learnt: Learnt) -> str:
    low, high = one.interval
    ways = ", ".join(f"{how} {count}" for how, count in one.how.items())
    lines = [
        *_comment(
            f"{one.attempts} attempts at {one.joints} joints, {one.first.date()} to {one.last.date()}: {ways}; of "
            f"{one.bounded} only a bound. Scale on the spreads {one.scale:.3f}, in 95 of 100 between {low:.3f} and "
            f"{high:.3f}, the policy's own figure counting as much as {learnt.prior_joints:g} joints."
        ),
        *_comment(
            f"One joint at a bench: median {one.before.p50_db:.3f} dB before, {one.after.p50_db:.3f} after; 95 in 100 "
            f"below {one.before.p95_db:.3f} dB before, {one.after.p95_db:.3f} after."
        ),
        "[[joint]]",
        f"method = {_text(one.method)}",
        f"mode = {_text(one.mode)}",
    ]
    source = (
        f"{one.attempts} recorded attempts, {one.first.date()} to {one.last.date()}; {low:.3f} to {high:.3f} times "
        f"the figure before in 95 of 100"
    )
    for key, (unit, before, after) in _spreads(one).items():
        whence = f"source = {_text(source)}, known = {_text(RECORDS)}, since = {_text(one.last.date().isoformat())}"
        lines.append(f"{key} = {{ value = {after!r}, unit = {_text(unit)}, {whence} }}  # {before:g} before")
    return "\n".join(lines) + "\n"


def _spreads(one: LearntSet) -> dict[str, tuple[str, float, float]]:
    """The spreads that change: unit, before, after, rounded."""
    every = {
        "sigma_offset_um": ("µm", one.before.offset_um, _rounded(one.after.offset_um)),
        "sigma_tilt_deg": ("°", one.before.tilt_deg, _rounded(one.after.tilt_deg)),
    }
    return {key: found for key, found in every.items() if found[2] != _rounded(found[1])}


def _rounded(value: float) -> float:
    return float(f"{value:.{_DIGITS}g}")


def _comment(paragraph: str) -> list[str]:
    """A paragraph as comment lines, in which no sign stands that TOML forbids there."""
    lines = ["#"]
    printable = "".join(sign if sign.isprintable() or sign.isspace() else "?" for sign in paragraph)
    for word in printable.split():
        if len(lines[-1]) + 1 + len(word) > _WIDTH and lines[-1] != "#":
            lines.append("#")
        lines[-1] += f" {word}"
    return lines


def _text(value: str) -> str:
    """A text as TOML writes it, whose escapes are those of JSON."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
