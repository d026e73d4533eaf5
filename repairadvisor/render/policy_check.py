"""What a check of a policy found, as text and as plain values."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from repairadvisor.decision.findings import Finding
from repairadvisor.decision.policy_check import PolicyCheck
from repairadvisor.render.sentences import one_line


def render(found: PolicyCheck) -> str:
    """The findings, what is accepted, and what was searched for and not found; a line each, none left out."""
    lines = [f"Policy {found.policy_id[:12]}"]
    lines += _section("Found", found.findings) or ["", "Found: nothing."]
    lines += _section("Meant so, says the policy", found.accepted)
    search = found.search
    if search.contexts:
        won = sum(1 for one in search.plans if one.won)
        weighed = f"{search.weighed} contexts weighed, from {search.contexts} drawn"
        of_those = f"{won} of {len(search.plans)} plans that are not barred everywhere won"
        lines += ["", f"Looked for plans that win: {weighed}. {of_those}. A search proves nothing of the others:"]
        lines += [f"  {one_line(one.sentence)}" for one in found.never_won]
    return "\n".join(lines) + "\n"


def _section(title: str, findings: tuple[Finding, ...]) -> list[str]:
    if not findings:
        return []
    lines = ["", f"{title}: {len(findings)}"]
    for one in findings:
        lines.append(f"  {one.file}: {one.kind}: {one_line(one.sentence)}")
        if one.context is not None:
            lines.append(f"    shown by: {facts_said(one.context)}")
        if one.accepted:
            lines.append(f"    because: {one_line(one.accepted)}")
    return lines


def facts_said(context: Mapping[str, object]) -> str:
    """Facts as they are typed at a shell; "nothing known" where there are none."""
    return " ".join(f"{name}={_typed(given)}" for name, given in context.items()) or "nothing known"


def _typed(given: object) -> str:
    if not isinstance(given, Mapping):
        return f"{given:g}" if isinstance(given, float) else str(given)
    if "value" in given:
        return _typed(given["value"])
    if "between" in given:
        low, high = given["between"]
        return f"{low:g}..{high:g}"
    return "|".join(given["one_of"]) if "one_of" in given else "n/a"


def plain(found: PolicyCheck) -> dict[str, Any]:
    """The whole check as values for JSON."""
    return {
        "policy_id": found.policy_id,
        "clean": found.clean,
        "findings": [_plain(one) for one in found.findings],
        "accepted": [_plain(one) for one in found.accepted],
        "search": {
            "contexts": found.search.contexts,
            "weighed": found.search.weighed,
            "plans": [
                {"plan": one.plan, "permitted": one.permitted, "won": one.won, "outdone_by": one.outdone_by}
                for one in found.search.plans
            ],
        },
        "never_won": [_plain(one) for one in found.never_won],
    }


def _plain(one: Finding) -> dict[str, Any]:
    return {
        "kind": one.kind,
        "file": one.file,
        "ids": list(one.ids),
        "sentence": one.sentence,
        "proof": one.proof,
        "context": one.context,
        "accepted": one.accepted,
    }
