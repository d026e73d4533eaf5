"""Kept or made again by what was read: brute-force dynamic programming that shares no code, a published sequence."""

import functools
import math
from bisect import bisect_right
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from repairadvisor.errors import OpticsError
from repairadvisor.optics.distribution import LossModel
from repairadvisor.optics.joint_law import compile_joint_law
from repairadvisor.optics.noisy_reading import reading_noise
from repairadvisor.optics.redo import Attempts, Budget, Expected, Redo
from repairadvisor.optics.redo_given_reading import STEP_DB, GivenReading, cells_of, cells_of_sum, refined
from repairadvisor.optics.ribbon import some_of, worst_of

SEED = 20310504
STEP = 0.01
MODEL = LossModel(0.002, (0.0257, 0.0152), 0.03, 0.5)
FAILING = (0.03, 0.08, 0.58)
LAW = compile_joint_law({1310: MODEL}, 1310, FAILING)
CELLS = cells_of(LAW, 0)


@dataclass(frozen=True)
class OnGrid:
    """A law of losses that are whole hundredths, by attempt: a row of chances each."""

    rows: tuple[tuple[float, ...], ...]

    @functools.cached_property
    def losses(self):
        return [i * STEP for i in range(len(self.rows[0]))]

    @functools.cached_property
    def beyond(self):
        return [[*np.cumsum(row[::-1])[::-1].tolist(), 0.0] for row in self.rows]

    @property
    def tries(self):
        return len(self.rows)

    def tail(self, used, x_db):
        return self.beyond[used][bisect_right(self.losses, x_db)]

    def tails(self, x_db):
        return [self.tail(used, x_db) for used in range(self.tries)]

    def weights_within(self, used, limit_db):
        upto = bisect_right(self.losses, limit_db)
        return list(zip(self.losses[:upto], self.rows[used][:upto], strict=True))


@dataclass
class Situation:
    """One joint that was read, with all that bears on it, drawn at random."""

    cells: int
    rows: np.ndarray  # by bad attempts before, the chance of each loss
    used: int
    left: int
    to_come: int
    margin: float
    visit: float
    cost: float
    owner: float | None
    over: float
    shared: int
    sigma: float
    reading: float
    confidence: float


def mixed(rng, cells, step):
    """Chances of losses by attempt: a constant, two exponentials, a failed branch that bad attempts make likelier."""
    means, constant = rng.uniform(0.01, 0.12, 2), rng.uniform(0.0, 0.05)
    failed_mean, first = rng.uniform(0.2, 0.8), rng.uniform(0.01, 0.15)
    chances = np.clip(first * np.array([1.0, rng.uniform(1, 4), rng.uniform(2, 10), rng.uniform(3, 20)]), 0.0, 0.9)
    edges = np.maximum((np.arange(cells + 1) - 0.5) * step - constant, 0.0)
    a, b = means
    if abs(a - b) < 1e-6:
        b += 1e-3
    clean = (a * np.exp(-edges / a) - b * np.exp(-edges / b)) / (a - b)
    failed = np.exp(-edges / failed_mean)
    rows = []
    for p in chances:
        tail = (1 - p) * clean + p * failed
        tail[0], tail[-1] = 1.0, 0.0
        rows.append(tail[:-1] - tail[1:])
    return np.array(rows)


def drawn(rng, cells=60):
    rows = mixed(rng, cells, STEP)
    used = int(rng.integers(0, 3))
    to_come = int(rng.choice([0, 1, 2], p=[0.5, 0.46, 0.04]))
    # Half a hundredth off the grid: no loss lies on the margin or the limit, where the last bit would decide.
    margin = round(float(rng.uniform(0.05, 0.7)), 2) + 0.005
    owner = None if rng.random() < 0.3 else round(float(rng.uniform(0.05, 0.6)), 2) + 0.005
    return Situation(
        cells=cells,
        rows=rows,
        used=used,
        left=int(rng.integers(1, 4 - used)),
        to_come=to_come,
        margin=margin,
        visit=float(rng.uniform(60, 900)),
        cost=float(rng.uniform(3, 90)),
        owner=owner,
        over=float(rng.choice([0.0, 30.0])),
        shared=int(rng.integers(1, 6)),
        sigma=float(rng.choice([0.0, 0.03, 0.05, 0.1])),
        reading=round(float(rng.choice([rng.uniform(0, 0.3), rng.uniform(0, 0.58)])), 2),
        confidence=float(rng.choice([0.75, 0.8, 0.95])),
    )


# --- the program ----------------------------------------------------------------------------------------------


def rule(one: Situation) -> GivenReading:
    law = OnGrid(tuple(tuple(row) for row in one.rows))
    next_law = OnGrid(law.rows[one.used + 1 : one.used + 1 + one.left])
    follow = OnGrid(law.rows[:3])
    attempts = Attempts(one.cost, 20, None, one.owner, one.over if one.owner is not None else 0.0)
    redo = Redo([next_law, *[follow] * one.to_come], Budget(one.margin, one.visit), attempts)
    noise = reading_noise(one.sigma, STEP)
    return GivenReading(law.rows[one.used], redo, one.shared, one.left > 0, one.owner, one.confidence, noise)


# --- the reference: tables over what was lost so far, and nothing of ours -------------------------------------


class BruteForce:
    """Values of every attempt at every joint for every loss so far on the grid, from the last joint back."""

    def __init__(self, one: Situation) -> None:
        self.one = one
        self.losses = np.arange(one.cells) * STEP
        self.sofar = np.arange(one.cells * (one.to_come + 2)) * STEP
        self.above = np.zeros(one.cells) if one.owner is None else (self.losses > one.owner).astype(float)
        ends = np.where(self.sofar > one.margin, one.visit, 0.0)
        self.after = [ends] * (one.shared + 1)
        for _ in range(one.to_come):
            self.after = self._joint(self.after, one.rows[:3])
        self.again = self._joint(self.after, one.rows[one.used + 1 : one.used + 1 + one.left])

    def _joint(self, after, rows):
        """By shared redos left: the value before the first of the attempts, with what follows by redos left."""
        found = []
        for redos in range(len(after)):
            value = None
            for used in reversed(range(len(rows))):
                if redos - used < 0:
                    continue
                value = self._attempt(after[redos - used], rows[used], value)
            found.append(value)
        return found

    def _attempt(self, follow, row, later):
        """One attempt, for every loss so far: each loss kept or made again, whichever is less, or as the limit says."""
        total = np.zeros(len(self.sofar))
        again = None if later is None else self.one.cost + later
        for i, chance in enumerate(row):
            kept = np.concatenate((follow[i:], np.full(i, follow[-1])))
            if again is None:
                total += chance * (kept + self.above[i] * self.one.over)
            elif self.above[i]:
                total += chance * again
            else:
                total += chance * np.minimum(kept, again)
        return total

    def verdict(self):
        """(expected cost kept, cost made again, chance within the limit)."""
        one = self.one
        prior = one.rows[one.used]
        at = round(one.reading / STEP)
        if one.sigma == 0.0:
            weights = (np.arange(one.cells) == at).astype(float)
        else:
            weights = np.exp(-0.5 * ((self.losses - at * STEP) / one.sigma) ** 2)
            weights[np.abs(np.arange(one.cells) - at) * STEP > 6.0 * one.sigma + 1e-9] = 0.0
        posterior = np.maximum(prior, 1e-12) * weights
        posterior /= posterior.sum()
        kept = float(posterior @ self.after[one.shared][: one.cells])
        again = math.inf if one.left == 0 else one.cost + float(self.again[one.shared - 1][0])
        within = 1.0 if one.owner is None else float(posterior @ (1.0 - self.above))
        return kept, again, within


@pytest.mark.long
def test_the_verdict_is_that_of_brute_force_on_the_same_grid(share):
    """Backward induction over every loss on the grid of 0.01 dB, in numpy; Bayes' rule for the reading."""
    rng = np.random.default_rng(SEED)
    count = share(1000, 40, SEED)
    verdicts = []
    for _ in range(count):
        one = drawn(rng)
        kept, again, within = BruteForce(one).verdict()
        got = rule(one)
        assert got.again == pytest.approx(again, rel=1e-9)
        assert got.if_kept(one.reading).cost == pytest.approx(kept, rel=1e-7, abs=1e-7)
        assert got.within(one.reading) == pytest.approx(within, abs=1e-7)
        if min(abs(kept - again) / again, abs(within - one.confidence)) < 1e-6:
            continue  # a tie: either verdict costs the same
        wanted = within >= one.confidence and kept <= again
        assert got.keeps(one.reading) == wanted
        verdicts.append(wanted)
    assert 0.2 < sum(verdicts) / len(verdicts) < 0.9  # neither verdict is rare


@pytest.mark.long
def test_on_a_finer_grid_costs_differ_by_less_than_a_thousandth(share):
    """The law of the program with its own stretches, against 0.0005 dB and exact exponentials."""
    rng = np.random.default_rng([SEED, 2])
    for _ in range(share(1000, 12, SEED)):
        model = LossModel(
            float(rng.uniform(0, 0.05)), tuple(map(float, rng.uniform(0.01, 0.1, 2))), 0.1, float(rng.uniform(0.3, 0.7))
        )
        failing = (0.03, float(rng.uniform(0.05, 0.2)), float(rng.uniform(0.3, 0.7)))
        margin, visit = float(rng.uniform(0.1, 1.0)), float(rng.uniform(100, 800))
        cost, owner = float(rng.uniform(10, 80)), float(rng.uniform(0.1, 0.6))
        law = refined(compile_joint_law({1310: model}, 1310, failing))
        after = replace(law, failure_chances=law.failure_chances[1:])
        redo = Redo([after, law], Budget(margin, visit), Attempts(cost, 20, None, owner, 0.0))
        got = GivenReading(cells_of(law, 0), redo, 10, True, owner, 0.75, reading_noise(0.03, STEP_DB))
        fine = Finer(model, failing, margin, visit, cost, owner)
        assert got.again == pytest.approx(fine.again(), rel=1e-3)
        reading = round(float(rng.uniform(0.02, 0.3)), 2)
        assert got.if_kept(reading).cost == pytest.approx(fine.kept(reading), rel=1e-3, abs=1e-3 * cost)


class Finer:
    """Two joints with exact tails at the last, a fine grid before it: by numpy and closed forms."""

    step = 0.0005

    def __init__(self, model, failing, margin, visit, cost, owner):
        self.model, self.failing = model, failing
        self.margin, self.visit, self.cost, self.owner = margin, visit, cost, owner

    def tail(self, used, x):
        a, b = self.model.exponential_means_db
        y = np.maximum(np.asarray(x) - self.model.l0_db, 0.0)
        clean = (a * np.exp(-y / a) - b * np.exp(-y / b)) / (a - b)
        failed = np.exp(-y / self.model.failure_mean_db)
        p = self.failing[used]
        return np.where(np.asarray(x) < self.model.l0_db, 1.0, (1 - p) * clean + p * failed)

    def last(self, left):
        """The last joint, for each of what is left of the margin."""
        value = self.visit * self.tail(2, left)
        for used in (1, 0):
            again = self.cost + value
            over = self.tail(used, self.owner)
            missing = np.maximum(self.tail(used, left) - over, 0.0)
            value = over * again + missing * np.minimum(self.visit, again)
        return value

    def again(self):
        """The second attempt at the first joint, with one more after it."""
        edges = np.arange(0.0, 8.0, self.step)
        middle = edges[:-1] + self.step / 2
        follow = self.last(self.margin - middle)
        value = None
        for used in (2, 1):
            tail = self.tail(used, edges)
            mass = tail[:-1] - tail[1:]
            if value is None:
                value = float(mass @ follow)
            else:
                again = self.cost + value
                inside = self.tail(used, self.owner)
                kept = np.minimum(follow, again)
                kept[middle > self.owner] = again
                cut = int(self.owner / self.step)  # the cell that the limit cuts, exactly
                mass[cut] = 0.0
                value = float(mass @ kept)
                low = float(self.tail(used, edges[cut]) - inside)
                high = float(inside - self.tail(used, edges[cut + 1]))
                value += low * min(follow[cut], again) + high * again
        return self.cost + value

    def kept(self, reading):
        """E[what follows | reading], over 0.0005 dB and normal noise of 0.03 dB."""
        edges = np.arange(0.0, 2.0, self.step)
        middle = edges[:-1] + self.step / 2
        tail = self.tail(0, edges)
        weights = (tail[:-1] - tail[1:]) * stats.norm.pdf(middle, reading, 0.03)
        return float(weights @ self.last(self.margin - middle) / weights.sum())


# --- published, planned ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class LossIsCost:
    """g(x) = x: what is lost is what it costs."""

    margin_db: float = 0.0

    def missed(self, lost_db):
        return lost_db

    given_back = None
    second_visit = 1.0


@pytest.mark.parametrize(("left", "limit"), [(1, 1 / 2), (2, 3 / 8), (3, 39 / 128)])
def test_the_sequence_of_cayley_and_moser(left, limit):
    """Losses even between 0 and 1, nothing paid for an attempt: one up to the value of those that are left is kept.
    L. Moser, "On a problem of Cayley", Scripta Mathematica 22, 1956 (from memory): 1/2, 5/8, 89/128 for the greatest.
    """
    even = OnGrid(((0.01,) * 100,) * 4)

    class Moser(Redo):
        def value(self, joint, redos_left, used, so_far_db):
            if joint == len(self.laws):
                return Expected(so_far_db, 0.0, 0.0, 0.0)
            return self._value(joint, redos_left, used, so_far_db)

        def limit_db(self, joint, redos_left, used, so_far_db):
            return self.again(joint, redos_left, used, so_far_db)

    redo = Moser([OnGrid(even.rows[:left])], LossIsCost(), Attempts(0.0, 20))
    got = GivenReading(even.rows[0], redo, left, True, None, 0.75, reading_noise(0.0, STEP))
    assert got.again == pytest.approx(limit, abs=0.01)  # the grid's losses lie at 0.00 to 0.99, not in the middle
    assert got.greatest_kept_db() == pytest.approx(limit, abs=0.018)  # and it is told down to a hundredth


@pytest.mark.parametrize("margin", [0.06, 0.12, 0.3, 2.0])
@pytest.mark.parametrize("owner", [0.1, 0.15, None])
@pytest.mark.parametrize("used", [0, 1])
@pytest.mark.parametrize("joints", [1, 2])
def test_without_noise_limits_are_those_of_planning(margin, owner, used, joints):
    budget, attempts = Budget(margin, 300.0), Attempts(20.0, 20, None, owner, 0.0)
    law = replace(LAW, failed=LAW.after(1).failed)  # in stretches as short as those of what follows a bad attempt
    planned = Redo([law] * joints, budget, attempts)
    redos = planned.redos_at_first - used
    limit = planned.limit_db(0, redos, used, 0.0)
    after = Redo([law.after(used + 1), *[law] * (joints - 1)], budget, attempts)
    got = GivenReading(cells_of(law, used), after, redos, True, owner, 0.75, reading_noise(0.0, STEP_DB))
    assert got.again == pytest.approx(planned.again(0, redos, used, 0.0), rel=1e-9)
    assert got.greatest_kept_db() == pytest.approx(max(limit, 0.0), abs=0.0151)


# --- properties -----------------------------------------------------------------------------------------------


def given_reading_of(margin, owner, sigma, *, cost=20.0, may_redo=True, joints=1):
    redo = Redo([LAW.after(1)] * joints, Budget(margin, 300.0), Attempts(cost, 20, None, owner, 0.0))
    cells = cells_of_sum(CELLS, joints)
    limit = None if owner is None else joints * owner
    return GivenReading(cells, redo, 4, may_redo, limit, 0.75, reading_noise(sigma, STEP_DB), joints)


@given(st.floats(0.02, 2.0), st.none() | st.floats(0.05, 0.6), st.sampled_from([0.0, 0.03, 0.1]), st.floats(0, 1.5))
@settings(max_examples=40, deadline=None)
def test_a_better_reading_never_turns_kept_into_made_again(margin, owner, sigma, reading):
    got = given_reading_of(margin, owner, sigma)
    kept = [got.keeps(reading * part) for part in (1.0, 0.8, 0.5, 0.2, 0.0)]
    assert kept == sorted(kept)
    greatest = got.greatest_kept_db()
    if greatest is not None and greatest >= 0.0:
        assert got.keeps(greatest)
        assert not got.keeps(greatest + 0.011)


@given(st.floats(0.05, 1.5), st.floats(0.05, 0.6), st.floats(0.0, 0.8))
@settings(max_examples=25, deadline=None)
def test_a_wider_limit_and_a_wider_margin_keep_no_less(margin, owner, reading):
    narrow = given_reading_of(margin, owner, 0.03)
    assert given_reading_of(margin, owner + 0.1, 0.03).within(reading) >= narrow.within(reading) - 1e-12
    wide = given_reading_of(margin + 0.2, owner, 0.03)
    assert wide.if_kept(reading).missed <= narrow.if_kept(reading).missed + 1e-12


def test_where_it_cannot_be_made_again_any_reading_pays_and_the_limit_still_speaks():
    got = given_reading_of(0.3, 0.15, 0.03, may_redo=False)
    assert got.again == math.inf
    assert got.pays(2.0)
    assert not got.keeps(0.5)
    assert got.greatest_kept_db() == pytest.approx(0.16, abs=0.011)


def test_cells_hold_the_chance_between_their_ends():
    assert sum(CELLS) == pytest.approx(1.0)
    for i in (0, 1, 7, 40, 400, 8000):
        above = LAW.tail(0, (i - 0.5) * STEP_DB) if i else 1.0
        below = LAW.tail(0, (i + 0.5) * STEP_DB) if i < 8000 else 0.0
        assert CELLS[i] == pytest.approx(above - below, abs=1e-12)


def test_joints_read_as_one_are_thought_of_as_their_sum():
    cells = np.array(CELLS)
    wanted = np.convolve(cells, cells)[: len(cells)]
    assert np.array(cells_of_sum(tuple(cells), 2)) == pytest.approx(wanted, abs=1e-12)
    rng = np.random.default_rng(SEED)
    clean = rng.exponential(0.0257, (2, 200_000)) + rng.exponential(0.0152, (2, 200_000))
    failed = rng.exponential(0.5, (2, 200_000))
    loss = (0.002 + np.where(rng.random((2, 200_000)) < 0.03, failed, clean)).sum(axis=0)
    chances = np.cumsum(cells_of_sum(tuple(cells), 2))
    for limit in (0.05, 0.1, 0.2, 0.4):
        share = float((loss <= limit + 0.5 * STEP_DB).mean())
        assert chances[round(limit / STEP_DB)] == pytest.approx(share, abs=0.006)


def test_a_reading_far_out_is_believed_less_than_it_says():
    """Two-way 0.15 dB of a fused joint is on average less: good joints are common, and readings err."""
    got = given_reading_of(2.0, 0.15, 0.03)
    mean = sum(loss * chance for loss, chance in got.after(0.15))
    assert 0.11 < mean < 0.14


def test_a_reading_below_nothing_says_what_nothing_says():
    got = given_reading_of(2.0, 0.15, 0.03)
    assert got.after(-0.1) == got.after(0.0)


@pytest.mark.parametrize(("confidence", "joints"), [(0.4, 1), (1.0, 1), (0.75, 2), (0.75, 0)])
def test_what_is_out_of_range_is_refused(confidence, joints):
    redo = Redo([LAW], Budget(1.0, 300.0), Attempts(20.0, 20))
    with pytest.raises(OpticsError, match="allowed"):
        GivenReading(CELLS, redo, 2, True, 0.15, confidence, reading_noise(0.03), joints)


# --- a ribbon -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("fibres", [2, 12])
def test_the_worst_of_a_ribbon_is_that_of_independent_fibres(fibres):
    """P(worst > x) = 1 - (1 - P(one > x))^n; drawn by numpy besides."""
    law = compile_joint_law({1310: LossModel(0.002, (0.0503, 0.0189), 0.01, 0.5)}, 1310, (0.01,))
    worst = worst_of(law, fibres, (some_of(0.01, fibres), 0.9))
    for x in (0.02, 0.1, 0.2, 0.5, 1.0):
        assert worst.tail(0, x) == pytest.approx(1.0 - (1.0 - law.tail(0, x)) ** fibres, abs=2e-4)
    rng = np.random.default_rng(SEED)
    size = (fibres, 40_000)
    clean = 0.002 + rng.exponential(0.0503, size) + rng.exponential(0.0189, size)
    loss = np.where(rng.random(size) < 0.01, 0.002 + rng.exponential(0.5, size), clean).max(axis=0)
    for x in (0.1, 0.2, 0.5):
        assert worst.tail(0, x) == pytest.approx(float((loss > x).mean()), abs=0.012)
    mean = sum(share * branch.table.mean_db for share, branch in worst.branches(0))
    assert mean == pytest.approx(float(loss.mean()), abs=0.004)
    assert worst.tail(1, 0.3) > worst.tail(0, 0.3)  # a ribbon that fails oftener loses more


def test_one_fibre_is_no_ribbon_and_two_dozen_are_the_most():
    assert worst_of(LAW, 1, (0.5,)).tail(0, 0.2) == pytest.approx(replace(LAW, failure_chances=(0.5,)).tail(0, 0.2))
    assert some_of(0.01, 12) == pytest.approx(1.0 - 0.99**12)
    with pytest.raises(OpticsError, match="fibres of a ribbon"):
        worst_of(LAW, 25, (0.5,))
