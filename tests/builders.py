"""Readable makers for tests: advices, a method that always answers the same, a service around it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from repairadvisor.decision.advice import (
    Advice,
    Alternative,
    Barred,
    Caution,
    Check,
    Cost,
    Crew,
    FactUsed,
    Fallback,
    GroupRestored,
    KeepUpTo,
    KitLine,
    Lift,
    Loss,
    Minutes,
    PlanWords,
    PossibleAnswer,
    Question,
    Restored,
    Source,
    Step,
    TurningPoint,
    Wait,
    WavelengthLoss,
)
from repairadvisor.decision.fault_tree import Branch, Node, Tree
from repairadvisor.decision.reasons import Words
from repairadvisor.decision.rules_in_force import Example, Figure, Rule, RulesInForce
from repairadvisor.facts.context import Context
from repairadvisor.outcome.attempt_readings import Made
from repairadvisor.outcome.reported import Attempt, Repair
from repairadvisor.outcome.verdict import Another, LossRead, Owed, Verdict
from repairadvisor.outcome.workmanship_charts import Workmanship
from repairadvisor.policy.load import parsed
from repairadvisor.policy.model import Claim, Number
from repairadvisor.render.voice import Voice
from repairadvisor.store.policy_files import default_texts

NOW = datetime(2031, 5, 4, 7, 30, tzinfo=UTC)
POLICY_ID = "5d" * 32


#: The words of the policy that ships.
WORDING: Mapping[str, object] = {
    key: words
    for name in ("wording.toml", "surfaces.toml")
    for key, words in parsed(name, default_texts()[name]).items()
}


def a_voice(**changes: Any) -> Voice:
    """How the policy that ships speaks."""
    return Voice(Words(changes.pop("wording", WORDING)), **changes)


VOICE = a_voice()


def a_plan(**changes: str) -> PlanWords:
    words = {
        "method": "fusion_splice",
        "layout": "join_directly",
        "position": "tent",
        "access": "climbing",
        "shelter": "enclosed",
        "stage": "permanent",
        "phrase": "fuse it in a tent at the foot of the pole",
    }
    return PlanWords(**{**words, **changes})


def a_caution(**changes: Any) -> Caution:
    parts: dict[str, Any] = {
        "tag": "glass_shards",
        "text": "Splinters of glass fibre can hardly be seen; they go into skin and eyes and stay there. "
        "Wear eye protection and drop every offcut into the glass box; your employer's rules on glass decide.",
        "before_step": 2,
        "owed_to": "known",
        "beside_check": "",
    }
    return Caution(**{**parts, **changes})


def a_check(**changes: Any) -> Check:
    parts: dict[str, Any] = {
        "screen": "pole-sound",
        "not_before": "The pole is tested and found sound.",
        "facts": ("pole_condition",),
        "kind": "safety",
        "if_it_fails": "If it fails, or you cannot be sure: stand off and ring the control room.",
        "source": "common practice, no source",
        "how_known": "common practice",
        "cautions": ("structures",),
    }
    return Check(**{**parts, **changes})


def a_loss(**changes: Any) -> Loss:
    parts: dict[str, Any] = {
        "joints": 1,
        "attempts_each": 3,
        "redos_expected": 0.04,
        "good_up_to_db": 0.15,
        "keep_up_to_db": (0.15, 0.15),
        "limits": (KeepUpTo(1, 1, 1, 2, 0.0, None, 0.15, "Kept up to 0.15 dB: every joint"),),
        "by_wavelength": {
            "1310": WavelengthLoss(0.045, 0.04, 0.09, 0.14, 3.06, 0.9996),
            "1550": WavelengthLoss(0.041, 0.04, 0.08, 0.12, None, None),
        },
        "inserted_m": 0.0,
        "inserted_loss_db": 0.0,
        "given_back_db": None,
        "given_back_why": "Nothing is cut out that gives light back.",
        "chance_to_close_at_least": 0.9996,
        "chance_to_close_at_most": 0.9999,
        "chance_all_close_at_least": 0.9952,
        "chance_said": "Closes in more than 99 of 100 such repairs: measure as usual.",
        "reflectance_db": -60.0,
        "reflectance_together_db": -57.0,
        "reflectance_limit_db": -50.0,
        "reflectance_said": ("Reflectance -60 dB, owner's limit -50 dB.",),
        "margin_before_db": (3.1, 3.1),
        "margin_said": "",
        "reading_said": "A trace from one end can be 0.18 dB off at a joint.",
        "how_made": "Distribution of the sum of the joints after bad ones are done again.",
    }
    return Loss(**{**parts, **changes})


def an_advice(**changes: Any) -> Advice:
    """A repair at a pole top, with something in every part."""
    parts: dict[str, Any] = {
        "action": "repair",
        "say": "Bring the cable down and fuse it in a tent at the foot of the pole.",
        "because": "There is spare cable on both sides, and a joint on the ground needs nobody on the pole for long.",
        "plan": a_plan(),
        "continuity_only": "",
        "loss": a_loss(),
        "loss_withheld": "",
        "crew": Crew(
            2,
            ("fusion_single_trained", "may_climb"),
            "2 persons, among them: a splicer authorised for fusion and somebody who may climb.",
        ),
        "work_min": Minutes(75.0, 130.4),
        "restored_after_min": Restored(95.0, 160.0, (GroupRestored("emergency lines", 2.0, 80.0, 120.0),)),
        "expected_cost": Cost(412.4, 180.0, 95.0, 12.5, 8.0, 0.7, 1.2, 0.0, 115.0, 0.0, "cu"),
        "wait": None,
        "call": ("control room",),
        "checks_on_arrival": (a_check(),),
        "steps": (
            Step(1, "Set out the tent beside the pole.", "", ()),
            Step(2, "Strip, cleave and fuse the fibre.", "0.15 dB or better, both ways averaged", ("glass_shards",)),
        ),
        "cautions": (
            a_caution(tag="height", text="A fall kills. The person in charge at the place decides.", before_step=0),
            a_caution(),
            a_caution(
                tag="structures",
                text="A pole may give way. Put no weight on it before it has been tested; its owner decides.",
                before_step=0,
                owed_to="unknown",
                beside_check="pole-sound",
            ),
        ),
        "kit": (KitLine("splice protection sleeves", 4.0, "pieces", "one joint, up to three attempts"),),
        "alternatives": (
            Alternative(
                a_plan(method="mechanical_splice", phrase="join it mechanically on the ground"),
                38.2,
                Cost(450.6, 150.2, 120.0, 9.0, 0.0, 1.4, 20.0, 0.0, 150.0, 0.0, "cu"),
                0.2,
                "Costs more light.",
            ),
        ),
        "fallbacks": (
            Fallback(
                a_plan(method="mechanical_splice", phrase="gel splices where the fault is, for now"),
                "Held ready, its kit is carried: gel splices where the fault is, for now.",
                ("no-climb-alone",),
                ("The owner lets gel joints stay for now. Nothing is cut before that.",),
                ("Index gel stays off skin and out of eyes; the maker's sheet says how to wash it off.",),
                120.0,
            ),
        ),
        "loosened": (),
        "barred": (
            Barred(
                "no-climb-alone",
                "safety",
                "anything at the pole top",
                "Two persons are needed at height.",
                ("crew_count",),
                "common practice, no source",
                "common practice",
                Lift("a second person", "the control room", 45.0, 60.0),
            ),
        ),
        "questions": (
            Question(
                "spare_far_m",
                "How many metres of cable hang in the loop on the house side?",
                "caller",
                (
                    PossibleAnswer("less than 1 m", 0.4, "fusion splices at both ends of an inserted section"),
                    PossibleAnswer("1 m or more", 0.6, "fusion splices, joined directly"),
                ),
                "It decides whether one joint is enough.",
                42.0,
                (),
            ),
        ),
        "questions_said": "",
        "turning_points": (
            TurningPoint(
                "spare_near_m",
                "below",
                "1.2",
                "m",
                "repair",
                a_plan(layout="insert_section", phrase="let in a section"),
                "If the spare on the exchange side were below 1.2 m: let in a section.",
            ),
        ),
        "turning_points_said": "",
        "ranges": (),
        "ranges_said": "",
        "issued_plan": "",
        "valid_until": "2031-05-04T09:00:00+00:00",
        "valid_because": "the wind was seen then",
        "now": "2031-05-04T07:30:00+00:00",
        "policy": POLICY_ID,
        "method_version": "2",
        "vocabulary_version": "2",
        "facts_used": (FactUsed("spare_near_m", "3", "m", "Pipit Court crew", "2031-05-04T07:10:00+00:00"),),
        "unknown_that_matter": ("humidity_pct",),
        "sources": (Source("height limit", "4 m", "common practice, no source", "common practice", "2031-01-01"),),
        "reckoned_with": (Source("open tray", "2 to 5 min", "made up", "from memory", "2031-01-01"),),
        "reckoned_said": "Reckoned with 1 of the policy's minutes, prices and counts of people (1 from memory).",
    }
    return Advice(**{**parts, **changes})


def _nothing_done(**changes: Any) -> Advice:
    """An advice that lets nobody touch anything."""
    blank: dict[str, Any] = {
        "plan": None,
        "loss": None,
        "reckoned_with": (),
        "reckoned_said": "",
        "loss_withheld": "No plan is permitted, so no loss is promised.",
        "crew": Crew(0, (), ""),
        "work_min": None,
        "restored_after_min": None,
        "expected_cost": None,
        "checks_on_arrival": (),
        "fallbacks": (),
        "steps": (),
        "kit": (),
        "alternatives": (),
        "questions": (),
        "questions_said": "",
        "turning_points": (),
    }
    return an_advice(**{**blank, **changes})


def a_stand_off() -> Advice:
    return _nothing_done(
        action="stand_off",
        say="Keep everybody away from the cable and call the power owner.",
        because="The cable lies on a power line.",
        call=("power owner", "control room"),
        cautions=(
            a_caution(
                tag="electrical",
                text="A cable that touches a power line is live over its whole length. The power owner decides.",
                before_step=0,
            ),
        ),
    )


def a_wait() -> Advice:
    return _nothing_done(
        action="make_safe_and_wait",
        say="Make the place safe and wait for the thunder to pass.",
        because="Thunder follows the flash within 30 seconds.",
        wait=Wait("half an hour after the last thunder", 42.0, ("sit in the vehicle", "keep the lid shut"), a_plan()),
        call=(),
        cautions=(a_caution(tag="lightning", text="Drop the cable; go into a vehicle.", before_step=0),),
    )


def a_question_first() -> Advice:
    return _nothing_done(
        action="ask_first",
        say="Ask how much spare cable there is before anybody is sent.",
        because="It decides what has to be carried.",
        questions=an_advice().questions,
        call=(),
        cautions=(),
        barred=(),
    )


def an_out_of_scope() -> Advice:
    return _nothing_done(
        action="out_of_scope",
        say="This cable lies beside a railway: call its owner.",
        because="Work beside rails belongs to the owner of the railway.",
        call=("railway owner",),
        cautions=(),
        barred=(),
        facts_used=(FactUsed("place", "rail_side", "", "", ""),),
        unknown_that_matter=(),
        sources=(),
        reckoned_with=(),
        reckoned_said="",
    )


def a_crowded_advice() -> Advice:
    """More cautions, checks and steps than one ticket note holds."""
    tags = ("wind", "traffic", "damp", "cold", "trips", "battery", "water", "waste_sharps")
    cautions = tuple(
        a_caution(
            tag=tag,
            text=f"Beware of {tag.replace('_', ' ')} at Heron Wharf. "
            + "It has hurt people before; look twice. " * 3
            + "The person in charge decides.",
            before_step=number % 3,
        )
        for number, tag in enumerate(tags)
    )
    checks = (
        a_check(),
        a_check(screen="wind-low", not_before="Gusts at working height are below 12.5 m/s.", cautions=("wind",)),
    )
    return an_advice(cautions=(*an_advice().cautions, *cautions), checks_on_arrival=checks)


ADVICES = {
    "repair": an_advice(),
    "crowded": a_crowded_advice(),
    "ask_first": a_question_first(),
    "wait": a_wait(),
    "stand_off": a_stand_off(),
    "out_of_scope": an_out_of_scope(),
}


def a_tree(advice: Advice, depth: int = 1) -> Tree:
    """One question, whichever answer leads to this advice; without any depth the advice alone."""
    leaf = Node(None, (), 0)
    if not depth:
        return Tree(leaf, (advice,))
    branches = (
        Branch("a broken plug", {"fault_seen": "broken_plug"}, leaf),
        Branch("0 to 2.9 m", {"spare_near_m": {"between": [0.0, 2.9]}}, leaf),
    )
    return Tree(Node(advice.questions[0], branches, None), (advice,))


def a_rule_in_force(policy_id: str, **changes: Any) -> RulesInForce:
    """One rule with its examples, and one number that it rests on; ``changes`` are the rule's."""
    rule = Rule(
        id="half-an-hour-after-thunder",
        kind="safety",
        plans="work in a tent",
        bars_when="time since the last thunder is below 30 min",
        because="Less than half an hour has passed since the last thunder.",
        not_before="Half an hour has passed since the last thunder.",
        source="widely published rule",
        known="read in the source named",
        lifted_by="half an hour without thunder",
        lifted_who="the weather",
        lifted_after="30 min",
        call=("control room",),
        examples=(Example("bars", "time since the last thunder: 10 min"), Example("leaves_open", "nothing is known")),
    )
    figure = Figure("thunder_wait", "limit", 30.0, "min", "widely published rule", rule.known, "2026-11-25")
    return RulesInForce(policy_id, "2", "2", (replace(rule, **changes),), (figure,))


def a_verdict(**changes: Any) -> Verdict:
    """A joint that may stay, with something in every part."""
    parts: dict[str, Any] = {
        "verdict": "accept",
        "reason": "within",
        "say": "Keep the joint.",
        "because": "It is within the owner's limit, and another attempt would buy nothing.",
        "fibre": "T1F1",
        "fibres": ("T1F1",),
        "joint": 1,
        "joints_read": 1,
        "method": "fusion_splice",
        "attempt": 1,
        "do_first": "",
        "do_first_said": "",
        "provisional": True,
        "owed": (Owed("reverse_trace", "The trace from the far end.", 168.0),),
        "losses": (LossRead(1310, 1, 0.08, -0.02, 0.18),),
        "limit_db": 0.15,
        "limit_from": "owner",
        "limit_said": "The owner's limit is 0.15 dB.",
        "below_limit_db": 0.07,
        "margin_left_db": 2.9,
        "chance_within": 0.97,
        "chance_missed": 0.01,
        "chance_common_cause": 0.02,
        "another": Another(0.93, 14.0, "cu", 9.0, 2, "Another attempt: kept in 93 of 100, 14 cu, 9 min; 2 are left."),
        "differently": ("Clean both ends and cleave anew.",),
        "missing": ("a pull test",),
        "to_whom": "",
        "with_what": (),
        "cautions": (("glass_shards", "Splinters of glass: eye protection, offcuts into the box."),),
        "owed_by": "2031-05-11T07:30:00+00:00",
        "made_at": NOW.isoformat(),
        "now": NOW.isoformat(),
        "policy": POLICY_ID,
        "method_version": "2",
    }
    return Verdict(**{**parts, **changes})


@dataclass(frozen=True)
class FixedMethod:
    """A method that reads facts for real and then always gives the same advice."""

    answer: Advice
    policy_text: bytes = b"a policy"
    wording: Mapping[str, object] = field(
        default_factory=lambda: {
            **WORDING,
            "what_if": {"same": "The same.", "barred": "{plans}", "free": "{plans}", "price": "Prices."},
        }
    )

    @property
    def policy_id(self) -> str:
        return hashlib.sha256(self.policy_text).hexdigest()

    def advise(self, context: Context, issued_plan: str = "", *, turning: bool = False) -> Advice:
        return replace(self.answer, now=context.now.isoformat(), issued_plan=issued_plan)

    def tree(self, context: Context, depth: int, most_nodes: int | None = None) -> Tree:
        return a_tree(replace(self.answer, now=context.now.isoformat(), facts_used=()), depth)

    def card_tree(self, context: Context, issued_plan: str, most_nodes: int) -> Tree:
        return self.tree(context, 0)

    @property
    def most_attempts(self) -> int:
        return 3

    @property
    def claims(self) -> tuple[Claim, ...]:
        return ()

    def rules_in_force(self) -> RulesInForce:
        return a_rule_in_force(self.policy_id)

    def workmanship(self, attempts: Iterable[Made]) -> Workmanship:
        return Workmanship(self.policy_id, 0.5, 5.0, sum(1 for _ in attempts), 0, 0, {}, (), ("why",))

    def plan_ids(self) -> frozenset[str]:
        return frozenset() if self.answer.plan is None else frozenset({self.answer.plan.id})

    def repair(self, context: Context, plan_id: str, now: datetime) -> Repair:
        return Repair(now, ("single_mode",), ("fusion_splice", "mechanical_splice"), 2, joints_planned=2, fibres=2)

    def judge(self, context: Context, plan_id: str, attempts: Sequence[Attempt], now: datetime) -> tuple[Verdict, ...]:
        """Up to 0.15 dB at 1310 nm both ways a joint may stay; a ribbon may where its worst fibre may."""
        joints: dict[tuple[str, int], list[Attempt]] = {}
        for one in attempts:
            joints.setdefault((one.ribbon or one.fibre, one.joint), []).append(one)
        return tuple(_fixed_verdict(some, now) for _, some in sorted(joints.items()))

    def standing_cautions(self, context: Context) -> tuple[str, ...]:
        return tuple(caution.text for caution in self.answer.cautions) if context.held else ()


def _fixed_verdict(attempts: Sequence[Attempt], now: datetime) -> Verdict:
    last = max(one.attempt for one in attempts)
    some = [one for one in attempts if one.attempt == last]
    read = [(0.0 if (found := one.reading(1310)) is None else found.loss_db, one.fibre) for one in some]
    worst_db, fibre = max(read)
    return a_verdict(
        verdict="accept" if worst_db <= 0.15 else "redo",
        fibre=fibre,
        fibres=tuple(sorted(one.fibre for one in some)),
        joint=some[0].joint,
        attempt=last,
        owed_by=(min(one.made_at for one in some) + timedelta(hours=168)).isoformat(),
        made_at=max(one.made_at for one in some).isoformat(),
        now=now.isoformat(),
    )


def a_database_url(folder: Path) -> str:
    return f"sqlite:///{folder / 'records.db'}"


def persons_of(count: int) -> Number:
    """So many persons at least, as a policy counts them."""
    return Number("persons", float(count), "persons", "made up", "from memory", "2031-01-01")
