# ruff: noqa: T201 -- a script, which prints
"""Compares the shipped policy with jobs that somebody judged by hand, and reports where the two differ.

    .venv/bin/python .ci/judged_jobs.py FILE.json

Run by .ci/run where such a file stands beside the clone. It is a report: a difference is worth a sentence about the
trade, not a red build, so the exit status is 0 unless the file cannot be read as judged jobs. Two causes of a
difference are nobody's mistake: another price, and another judgement.

The file's words are mapped to ours once, in the tables below. What a job neither states nor calls unknown was not
weighed by whoever judged it: such a fact gets its ordinary harmless value wherever it surely has a meaning.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))  # this tree, and not a copy that was installed before

import judged_results  # noqa: E402 -- see above

from repairadvisor.decision import method  # noqa: E402 -- see above
from repairadvisor.decision.advice import Advice  # noqa: E402
from repairadvisor.decision.document import Answer, write  # noqa: E402
from repairadvisor.decision.prepare import prepare  # noqa: E402
from repairadvisor.decision.rules import Rules  # noqa: E402
from repairadvisor.decision.situation import look  # noqa: E402
from repairadvisor.decision.start import as_it_stands  # noqa: E402
from repairadvisor.errors import InputError  # noqa: E402
from repairadvisor.facts.context import Context  # noqa: E402
from repairadvisor.facts.parse import parse_context  # noqa: E402
from repairadvisor.facts.value import Known  # noqa: E402
from repairadvisor.facts.vocabulary import BY_NAME, INDOORS  # noqa: E402
from repairadvisor.methods import default_policy  # noqa: E402
from repairadvisor.policy.plan import DIMENSIONS  # noqa: E402

Job = Mapping[str, Any]
Entry = Mapping[str, Any]

# --- their words, ours ----------------------------------------------------------------------------------------

#: Facts under another name. One name may be two of ours.
NAMES: dict[str, tuple[str, ...]] = {
    "coating_um": ("coating_near_um", "coating_far_um"),
    "forecast_temperature_c": ("forecast_air_temperature_c",),
}

#: Facts of theirs that we have no name for; DEVELOPERS.md says why of each.
NOT_OURS = (
    "caller_on_site",
    "crew_authorisations",
    "flash_to_thunder_s",
    "largest_recorded_joint_near_db",
    "last_touched_h",
    "now",
    "owner_accepts_below_reserve",
    "span_m",
    "sun",
    "wet_bulb_globe_c",
)

#: Derived by us from the fact in the second place, and left out where that one is given.
DERIVED = {"gas_test_age_min": "gas_test_at"}

#: What a list of authorisations may name, and our yes or no for each. A list without one of them means "no".
AUTHORISATIONS = {
    "may_climb": "may_climb",
    "may_use_platform": "may_use_platform",
    "may_enter_chamber": "may_enter_chamber",
    "attendant": "attendant",
    "may_set_traffic": "may_set_traffic",
    "fusion_single": "fusion_single_trained",
    "fusion_ribbon": "fusion_ribbon_trained",
    "mechanical": "mechanical_trained",
    "field_fit": "field_fit_trained",
    "reads_two_way_traces": "reads_two_way_traces",
    "may_work_near_power": "may_work_near_power",
    "first_aid": "first_aid",
}

PLAN_WORDS = {
    "fusion_single": "fusion_splice",
    "fusion_ribbon": "ribbon_fusion_splice",
    "mechanical": "mechanical_splice",
    "re_route_spare_fibres": "re_route_on_spare_fibres",
    "enclosed_heated": "enclosed_and_heated",
}

Given = Callable[[Context], object]


def same_as(name: str) -> Given:
    """The value of another fact, or nothing while that is open."""

    def given(context: Context) -> object:
        state = context.state(name)
        return state.value if isinstance(state, Known) else None

    return given


def _by_mode(single_mode: object, multimode: object) -> Given:
    def given(context: Context) -> object:
        words = context.possible["fibre_mode"].words
        return None if len(words) != 1 else single_mode if words[0] == "single_mode" else multimode

    return given


def _indoors(context: Context) -> object:
    words = context.possible["place"].words
    return "yes" if all(word in INDOORS for word in words) else "no"


def _way_to_plug(context: Context) -> object:
    at_the_plug = ("chewed_end", "broken_plug", "pulled_plug", "hanging")
    seen = context.possible["fault_seen"].words
    return 0.2 if len(seen) == 1 and seen[0] in at_the_plug else 500.0


def _reading(context: Context) -> object:
    """The bench stands at the temperature of the air, but on a hot day nobody can say that unmeasured."""
    air = same_as("air_temperature_c")(context)
    return air if isinstance(air, float) and air < 40 else None


#: The ordinary harmless value of a fact that was not weighed, in the order in which they are filled in.
#: A fact that is not here stays unknown: nothing barred hangs on it, or a check on arrival is no difference.
HARMLESS: dict[str, object] = {
    "danger_seen": "none",
    "fault_located": "yes",
    "new_reflection": "no",
    "cable_spoilt": "no",
    "gap_m": 0.0,
    "cut_back_near_m": 0.5,
    "cut_back_far_m": 0.5,
    "cable_metallic": "no",
    "coating_near_um": 250.0,
    "coating_far_um": 250.0,
    "cable_fibre_count": same_as("fibres_down_count"),
    "fibres_in_service_count": same_as("fibres_down_count"),
    "life_line_fibres_count": 0.0,
    "live_neighbours_count": 0.0,
    "spare_fibres_count": 0.0,
    "fibre_type_near": _by_mode("g652d", None),
    "fibre_type_far": same_as("fibre_type_near"),
    "insert_fibre_type": same_as("fibre_type_near"),
    "distance_to_plug_m": _way_to_plug,
    "plug_polish_far": _by_mode("apc", "upc"),
    "plug_polish_near": same_as("plug_polish_far"),
    "spare_near_m": 3.0,
    "spare_far_m": 3.0,
    "spare_near_store": "at_the_break",
    "spare_far_store": "at_the_break",
    "bench_distance_m": 4.0,
    "attempts_so_far_count": 0.0,
    "joints_in_length_count": 0.0,
    "section_replacement_possible": "no",
    "protected_route": "no",
    "owner_joint_limit_db": 3.0,
    "owner_allows_mechanical": "permanent",
    "reflectance_limit_db": _by_mode(-35.0, -20.0),
    "launch_power_dbm": 5.0,
    "distance_from_pump_km": 60.0,
    "consent_to_interrupt": "yes",
    "air_temperature_c": 15.0,
    "bench_temperature_c": _reading,
    "shaded_bench_temperature_c": _reading,
    "humidity_pct": 60.0,
    "wind_gust_mps": 3.0,
    "platform_wind_limit_mps": 12.5,
    "precipitation": "none",
    "lightning": "none",
    "since_thunder_min": 1000.0,
    "ice_on_structure": "no",
    "dust_in_air": "no",
    "daylight_ends_min": 480.0,
    "gas_test": "clear",
    "gas_test_age_min": 10.0,
    "oxygen_pct": 20.9,
    "flammable_pct_lel": 0.0,
    "hydrogen_sulphide_ppm": 0.0,
    "carbon_monoxide_ppm": 0.0,
    "gas_monitor_on_site": "yes",
    "continuous_monitoring": "yes",
    "forced_air": "yes",
    "blower_on_site": "yes",
    "tent_over_cover": "no",
    "entry_permit": "yes",
    "arc_permit": "yes",
    "water_in_chamber": "no",
    "joint_reachable_without_entry": "yes",
    "pole_shared_with_power": "no",
    "cable_touches_power_line": "no",
    "pole_condition": "sound",
    "platform_can_reach": "yes",
    "vehicle_can_stand": "yes",
    "tent_can_stand": "yes",
    "traffic_near": "none",
    "building_year": 2005.0,
    "site_permit": "yes",
    "mains_power": _indoors,
    "services_located": "yes",
    "access_ends_min": 1440.0,
    "travel_min": 30.0,
    "may_work_high_power_light": "yes",
    "fusion_machine": "single",
    "machine_charge_pct": 100.0,
    "van_inverter": "yes",
    "heater_on_van": "yes",
    "tent_on_van": "yes",
    "holders_fit_coating": "yes",
    "mechanical_splice_count": 12.0,
    "field_plug_apc_count": 12.0,
    "field_plug_upc_count": 12.0,
    "pigtail_count": 24.0,
    "sleeve_count": 700.0,
    "closure_count": 4.0,
    "insert_cable_m": 100.0,
    "pre_made_cable_at_hand": "no",
}


# --- a job becomes a context -------------------------------------------------------------------------------------


def moment(job: Job) -> datetime:
    """The job's own now, else a fixed one."""
    return datetime.fromisoformat(job["facts"].get("now", "2030-05-14T09:00:00+00:00")).astimezone(UTC)


def our_facts(job: Job) -> dict[str, object]:
    """The facts of a job under our names, as on the wire. Names that are nobody's are passed on as they stand."""
    given = job["facts"]
    found: dict[str, object] = {}
    for name, value in given.items():
        if name in NOT_OURS or DERIVED.get(name) in given:
            continue
        found.update(dict.fromkeys(NAMES.get(name, (name,)), value))
    for name, bound in job.get("bounded", {}).items():
        report = {"one_of": bound["any_of"]} if "any_of" in bound else {"between": [bound["from"], bound["to"]]}
        found.update({key: {**report, "source": bound.get("because", "")} for key in NAMES.get(name, (name,))})
    if "crew_authorisations" in given:
        held = given["crew_authorisations"]
        found.update({ours: word in held for word, ours in AUTHORISATIONS.items()})
    return found


def unweighed(context: Context, unknown: Sequence[str]) -> Context:
    """The context with every fact filled in that was not weighed and surely has a meaning."""
    open_on_purpose = {ours for name in unknown for ours in NAMES.get(name, (name,))}
    for name, value in HARMLESS.items():
        possible = context.possible[name]
        if name in context.held or name in open_on_purpose or not possible.applies or possible.may_lack:
            continue
        plain = value(context) if callable(value) else value
        if plain is None:
            continue
        assert isinstance(plain, str | float)
        filled, faults = context.with_facts({name: Known(plain)})
        if not faults:
            context = filled
    return context


def read_context(job: Job) -> Context:
    """A job as a context; raises InputError where it is refused."""
    return unweighed(parse_context(our_facts(job), moment(job)), job.get("unknown", ()))


# --- what agreement means ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Outcome:
    """What the program answers to a job. ``faults`` are the fields of a refused input."""

    action: str
    advice: Advice | None
    answer: Answer | None
    faults: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    @property
    def asked(self) -> tuple[str, ...]:
        return () if self.advice is None else tuple(question.fact for question in self.advice.questions)

    @property
    def certain_first(self) -> set[str]:
        """Facts that the advice makes certain before anything is touched."""
        if self.advice is None:
            return set()
        return {*self.asked, *(name for check in self.advice.checks_on_arrival for name in check.facts)}


def words(value: object) -> list[str]:
    """One word or several, in our spelling."""
    listed = value if isinstance(value, list) else [value]
    return [PLAN_WORDS.get(str(word), str(word)) for word in listed]


def plan_fits(entry: Entry, plan: object) -> bool:
    """Whether a plan has one of the words that the entry lists, in each dimension that the entry judges."""
    return all(getattr(plan, one) in words(entry[one]) for one in DIMENSIONS if one in entry)


def ours(names: Sequence[str]) -> set[str]:
    """Their names of facts in our spelling."""
    return {one for name in names for one in NAMES.get(name, (name,))}


def fits(entry: Entry, got: Outcome) -> bool:
    """Whether the answer fits a partial answer."""
    if entry["action"] != got.action:
        return False
    if any(one in entry for one in DIMENSIONS) and not (
        got.advice is not None and got.advice.plan is not None and plan_fits(entry, got.advice.plan)
    ):
        return False
    if "ask" in entry and not ours(entry["ask"]) & set(got.asked):
        return False
    if "first_asked" in entry and got.asked[:1] and got.asked[0] not in ours(entry["first_asked"]):
        return False
    if "only_after" in entry and not ours([entry["only_after"]]) & got.certain_first:
        return False
    if "without" in entry and ours([entry["without"]]) & got.certain_first:
        return False
    return "names" not in entry or all(named["field"] in got.faults for named in entry["names"])


def agrees(job: Job, got: Outcome) -> bool:
    """Fits something acceptable and nothing unacceptable."""
    return any(fits(one, got) for one in job["acceptable"]) and not any(fits(one, got) for one in job["unacceptable"])


def missing_cautions(job: Job, got: Outcome) -> list[str]:
    """Tags that are owed and not shown."""
    shown = set(got.cautions)
    return [
        one["tag"]
        for one in job["must_warn"]
        if one.get("if_action", got.action) == got.action and one["tag"] not in shown
    ]


def loss_windows(job: Job, got: Outcome) -> str:
    """Median and 95th percentile at the governing wavelength beside the windows; "" where no loss is compared."""
    wanted = job.get("expected_loss")
    if wanted is None or got.advice is None or got.advice.loss is None or not agrees(job, got):
        return ""
    first = next(iter(got.advice.loss.by_wavelength.values()))
    said = []
    for name, value in (("median", first.p50_db), ("p95", first.p95_db)):
        low, high = wanted[f"{name}_db"]
        side = "in" if low <= value <= high else "OUTSIDE"
        said.append(f"{name} {value:.3f} {side} {low:g}..{high:g}")
    joints = got.advice.loss.joints
    if "joints" in wanted and joints != wanted["joints"]:
        said.append(f"{joints} JOINTS, not {wanted['joints']}")
    return ", ".join(said)


# --- why not -----------------------------------------------------------------------------------------------------


def why_not(job: Job, got: Outcome, rules: Rules) -> list[str]:
    """For each acceptable repair: what it would cost, or what bars it."""
    if got.answer is None:
        return []
    said = []
    for entry in job["acceptable"]:
        if entry["action"] == "repair":
            fitting = [i for i, plan in enumerate(rules.policy.plans) if plan_fits(entry, plan)]
            said.append(_standing(fitting, got.answer, rules))
    return said


def _standing(fitting: Sequence[int], answer: Answer, rules: Rules) -> str:
    if not fitting:
        return "no such plan is ever made"
    weighed = [one for one in answer.order if one.index in fitting]
    if weighed:
        best = min(weighed, key=lambda one: (one.cost, one.index))
        return f"{best.plan.id} would cost {best.cost:.1f} (chance {best.chance:.2f})"
    situation = answer.situation
    stopped = {index: _stops(index, answer, rules) for index in fitting}
    nearest = min(fitting, key=lambda index: (len(stopped[index]), index))
    names = ", ".join(stopped[nearest])
    asked = "" if situation.worlds is None else "; other plans were weighed"
    return f"{rules.policy.plans[nearest].id} is stopped by {names or 'nothing: it was not weighed'}{asked}"


def _stops(index: int, answer: Answer, rules: Rules) -> list[str]:
    found = []
    for i, screen in enumerate(rules.screens):
        if rules.screen_plans[i] >> index & 1:
            if answer.situation.status[i] == method.BARRED:
                found.append(screen.id)
            elif answer.situation.status[i] == method.OPEN and not screen.check:
                names = method.open_facts(rules.compiled, answer.situation.context, i)
                found.append(f"{screen.id} (open: {', '.join(names)})")
    return found


# --- the report -----------------------------------------------------------------------------------------------------


def run_job(job: Job, rules: Rules) -> Outcome:
    """Put one job to the program."""
    try:
        context = read_context(job)
    except InputError as error:
        place = parse_context({"place": error.place}, moment(job)) if error.place else None
        shown = (
            () if place is None else write(method.answer(look(rules, place), ""), place, method.METHOD_VERSION).cautions
        )
        tags = tuple(caution.tag for caution in shown)
        return Outcome("refuse_input", None, None, tuple(fault.field for fault in error.faults), tags)
    answer = method.answer(look(rules, as_it_stands(context, rules)), "")
    advice = write(answer, context, method.METHOD_VERSION)
    return Outcome(advice.action, advice, answer, (), tuple(caution.tag for caution in advice.cautions))


def said(got: Outcome) -> str:
    """An answer in one line."""
    parts = [got.action]
    if got.answer is not None and got.answer.chosen is not None:
        parts.append(f"{got.answer.chosen.plan.id} at {got.answer.chosen.cost:.1f}")
    if got.answer is not None and got.answer.later is not None:
        later = got.answer.later
        parts.append(f"{later.slot.id}, then {later.best.plan.id} at {later.cost:.1f}")
    if got.asked:
        parts.append("asks " + ", ".join(got.asked))
    if got.faults:
        parts.append("names " + ", ".join(got.faults))
    return ": ".join(parts)


def report(jobs: Sequence[Job], rules: Rules) -> None:
    """Print one block a job, then how many agree and one line for each that does not."""
    apart: list[str] = []
    for job in jobs:
        got = run_job(job, rules)
        agreed = agrees(job, got)
        print(f"{job['id']} {'agrees' if agreed else 'DIFFERS'}  {said(got)}")
        missing = missing_cautions(job, got)
        if missing:
            print(f"      cautions not shown: {', '.join(missing)}")
        windows = loss_windows(job, got)
        if windows:
            print(f"      {windows}")
        if not agreed:
            refused = [one["why"] for one in job["unacceptable"] if fits(one, got)]
            because = refused[0] if refused else "not among the acceptable"
            wanted = "; ".join(why_not(job, got, rules))
            apart.append(f"{job['id']}: {said(got)} -- {because} -- acceptable: {wanted or 'no repair'}")
    print(f"\n{len(jobs) - len(apart)} of {len(jobs)} agree")
    for line in apart:
        print(line)


def read_jobs(file: Path) -> list[Job]:
    """The jobs of a file, or an end with a sentence."""
    content = json.loads(file.read_text(encoding="utf-8"))
    jobs = content.get("jobs") if isinstance(content, dict) else None
    needed = ("id", "facts", "acceptable", "unacceptable", "must_warn")
    if not isinstance(jobs, list) or not all(isinstance(one, dict) and all(k in one for k in needed) for one in jobs):
        sys.exit(f"{file.name}: not a file of judged jobs; each needs {', '.join(needed)}")
    return jobs


def read_results(file: Path) -> list[Job]:
    """The results of a file that were judged after the work, if it has any."""
    content = json.loads(file.read_text(encoding="utf-8"))
    results = content.get("follow_ups", [])
    needed = ("id", "facts", "verdict", "why", "must_warn", "turning_points")
    if not all(isinstance(one, dict) and all(k in one for k in needed) for one in results):
        sys.exit(f"{file.name}: not a file of judged results; each needs {', '.join(needed)}")
    return list(results)


def main() -> None:
    """Report on the file that is named."""
    if len(sys.argv) != 2:
        sys.exit("usage: judged_jobs.py FILE.json")
    jobs = read_jobs(Path(sys.argv[1]))
    results = read_results(Path(sys.argv[1]))
    strange = [name for name in (*HARMLESS, *AUTHORISATIONS.values()) if name not in BY_NAME]
    assert not strange, strange
    rules = prepare(default_policy())
    report(jobs, rules)
    if results:
        judged_results.report(results, rules, lambda facts: read_context({"facts": facts}))


if __name__ == "__main__":
    main()
