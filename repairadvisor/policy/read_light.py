"""The light of a policy: how well joints are made, what a layout puts in and takes out, fibres, wavelengths."""

from __future__ import annotations

from collections.abc import Mapping

from repairadvisor.errors import PolicyError
from repairadvisor.facts.vocabulary import BY_NAME, MULTIMODE_TYPES, SINGLE_MODE_TYPES
from repairadvisor.policy.model import Adjust, JointSet, Light, Number
from repairadvisor.policy.table import Table, read_number

Words = Mapping[str, tuple[str, ...]]
_MODES = ("single_mode", "multimode")
#: The one joint set that is no plan's method: plugs that were there before.
MATED_PAIR = "mated_pair"
LIKE_FOR_LIKE = "like_for_like"


def read_joint(row: Table, words: Words) -> JointSet:
    """One joint set."""
    method = row.one_of("method", (*words["method"], MATED_PAIR))
    mode = row.one_of("mode", _MODES)
    numbers = {
        key: read_number(key, row.child(key))
        for key in ("sigma_offset_um", "sigma_tilt_deg", "l0_db", "failure_chance", "failure_mean_db")
    }
    pair = read_number("pair_97_db", row.child("pair_97_db")) if "pair_97_db" in row.raw else None
    row.text("gap", "")
    pairs = int(row.number("pairs"))
    if bool(pairs) != (pair is not None):
        raise PolicyError(row.where, f"has {pairs} pairs and {'a' if pair else 'no'} pair_97_db", "both or neither")
    good = read_number("good_up_to_db", row.child("good_up_to_db")).value
    allowed = good
    if "allowed_up_to_db" in row.raw:
        allowed = read_number("allowed_up_to_db", row.child("allowed_up_to_db")).value
    if allowed < good:
        raise PolicyError(f"{row.where}: allowed_up_to_db", f"is {allowed:g}", f"good_up_to_db ({good:g}) or more")
    joint = JointSet(
        method=method,
        mode=mode,
        sigma_offset_um=numbers["sigma_offset_um"].value,
        sigma_tilt_deg=numbers["sigma_tilt_deg"].value,
        l0_db=numbers["l0_db"].value,
        pair_97_db=None if pair is None else pair.value,
        pairs=pairs,
        failure_chance=numbers["failure_chance"].value,
        failure_mean_db=numbers["failure_mean_db"].value,
        good_up_to_db=good,
        allowed_up_to_db=allowed,
        made_again=bool(row.take("made_again", bool, True)),
        reflectance_db={name: read_number(name, table) for name, table in row.tables("reflectance_db")},
        reflectance_worst_db={name: read_number(name, table) for name, table in row.tables("reflectance_worst_db")},
        source=numbers["sigma_offset_um"].source,
        known=numbers["sigma_offset_um"].known,
        since=numbers["sigma_offset_um"].since,
    )
    row.done()
    return joint


def read_light(joints: Table, prices: Table, words: Words) -> Light:
    """Everything about light besides the joint sets; floors stand beside the prices."""
    adjust = []
    for row in joints.rows("adjust", joints.said_once()):
        adjust.append(_read_adjust(row, words))
        row.done()
    attenuation, mode_field, core, bend = _read_fibres(joints)
    floors = {stage: read_number(stage, table) for stage, table in prices.tables("floor")}
    checks = {}
    for method, table in prices.tables("floor_check"):
        because = table.text("because")
        checks[method] = because if table.one_of("check", ("", "on_arrival")) else ""
        table.done()
    for key, have, need in (("floor", floors, words["stage"]), ("floor_check", checks, words["method"])):
        missing = [word for word in need if word not in have]
        if missing:
            raise PolicyError(f"{prices.where}: {key}", f"nothing for {', '.join(missing)}")
    return Light(
        adjust=tuple(adjust),
        floors=floors,
        unknown_margin=checks,
        wavelengths=_read_wavelengths(joints),
        attenuation=attenuation,
        mode_field_um=mode_field,
        core_um=core,
        bend_radius_mm=bend,
        given_back=_by_layout(joints, "given_back", words),
        joints_in_layout={
            layout: int(count) for layout, count in _by_layout(joints, "joints_in_layout", words).items()
        },
    )


def _read_adjust(row: Table, words: Words) -> Adjust:
    return Adjust(
        row.text("id"),
        row.plans("plans", words),
        row.number("factor"),
        row.text("source"),
        row.known(),
        row.day("since"),
    )


def _by_layout(table: Table, key: str, words: Words) -> dict[str, str]:
    raw = table.take(key, dict)
    if set(raw) != set(words["layout"]):
        raise PolicyError(f"{table.where}: {key}", "does not name every layout once", ", ".join(words["layout"]))
    return {layout: str(raw[layout]) for layout in words["layout"]}


def _read_wavelengths(table: Table) -> dict[str, tuple[int, ...]]:
    raw = table.take("wavelengths_nm", dict)
    kinds = BY_NAME["service_kind"].words
    if set(raw) != set(kinds) or not all(isinstance(many, list) and many for many in raw.values()):
        raise PolicyError(
            f"{table.where}: wavelengths_nm", "does not list wavelengths for every kind", ", ".join(kinds)
        )
    return {kind: tuple(int(nm) for nm in raw[kind]) for kind in kinds}


def _read_fibres(
    table: Table,
) -> tuple[dict[tuple[str, int], float], dict[str, float], dict[str, float], dict[str, float]]:
    attenuation: dict[tuple[str, int], float] = {}
    mode_field: dict[str, float] = {}
    core: dict[str, float] = {}
    bend: dict[str, float] = {}
    for name, row in table.tables("fibre"):
        if name not in (*SINGLE_MODE_TYPES, *MULTIMODE_TYPES):
            raise PolicyError(row.where, "is no fibre type", ", ".join((*SINGLE_MODE_TYPES, *MULTIMODE_TYPES)))
        for key in list(row.raw):
            number: Number = read_number(key, row.child(key))
            if key == "mode_field_1310_um":
                mode_field[name] = number.value
            elif key == "core_um":
                core[name] = number.value
            elif key == "bend_radius_mm":
                bend[name] = number.value
            elif key.startswith("attenuation_"):
                attenuation[name, int(key.split("_")[1])] = number.value
            else:
                raise PolicyError(f"{row.where}: {key}", "is not known", "mode_field_1310_um, core_um, attenuation_…")
    return attenuation, mode_field, core, bend
