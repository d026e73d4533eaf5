"""What was learnt as files: read back by the reader of overlays, whatever stands in them. No outside source."""

from __future__ import annotations

import dataclasses
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcome.recorded_work import BEGAN
from repairadvisor.outcome.learning import Learnt, LearntSet, Spread
from repairadvisor.outcome.proposed_overlay import changed_sets, overlay_files
from repairadvisor.policy.overlay import read_overlay


def learnt_set(scale: float = 1.1, offset_um: float = 0.25, tilt_deg: float = 0.15, **changes: object) -> LearntSet:
    before = Spread(offset_um, tilt_deg, 0.036, 0.11)
    found = LearntSet(
        method="fusion_splice",
        mode="single_mode",
        scale=scale,
        interval=(0.97 * scale, 1.03 * scale),
        before=before,
        after=Spread(offset_um * scale, tilt_deg * scale, 0.044, 0.13),
        attempts=512,
        joints=498,
        how={"both ways": 500, "one way": 12},
        bounded=3,
        first=BEGAN,
        last=BEGAN.replace(month=5),
    )
    return dataclasses.replace(found, **changes)


def learnt(*sets: LearntSet) -> Learnt:
    return Learnt(100.0, 600, {"nothing was read": 88}, sets)


def test_only_sets_that_change_stand_in_it() -> None:
    found = learnt(learnt_set(1.00001), learnt_set(1.2, method="mechanical_splice"))
    assert [one.method for one in changed_sets(found)] == ["mechanical_splice"]
    (row,) = tomllib.loads(overlay_files(found, "", ())["joints.toml"])["joint"]
    assert (row["method"], row["mode"]) == ("mechanical_splice", "single_mode")
    assert row["sigma_offset_um"]["value"] == pytest.approx(0.3)
    assert row["sigma_tilt_deg"]["value"] == pytest.approx(0.18)
    assert overlay_files(learnt(learnt_set(1.00001)), "", ()) == {}
    assert overlay_files(learnt(), "", ()) == {}


def test_a_spread_that_is_none_stays_none() -> None:
    (row,) = tomllib.loads(overlay_files(learnt(learnt_set(tilt_deg=0.0)), "", ())["joints.toml"])["joint"]
    assert "sigma_tilt_deg" not in row


def test_figures_hold_since_the_day_of_the_last_attempt_in_them() -> None:
    late = learnt_set(method="mechanical_splice", last=BEGAN.replace(month=6))
    files = overlay_files(learnt(learnt_set(), late), "", ())
    days = [row["sigma_offset_um"]["since"] for row in tomllib.loads(files["joints.toml"])["joint"]]
    assert days == ["2031-05-03", "2031-06-03"]
    assert 'name = "learnt from joints recorded up to 2031-06-03"' in files["overlay.toml"]


@given(
    parent=st.text(st.characters(exclude_categories=["Cs"]), max_size=60),
    says=st.lists(st.text(st.characters(exclude_categories=["Cs"]), max_size=300), max_size=3),
    scale=st.floats(0.5, 2.0),
)
def test_whatever_stands_above_it_the_files_are_read_back(parent: str, says: list[str], scale: float) -> None:
    files = overlay_files(learnt(learnt_set(scale)), parent, says)
    if not files:
        return
    found = read_overlay(files)
    assert found.parent == parent
    (row,) = found.raw["joints.toml"]["joint"]
    assert row["sigma_offset_um"]["value"] == pytest.approx(0.25 * scale, rel=1e-3)
    assert row["sigma_offset_um"]["known"] == "operator's records"
