"""What standards and planners let a joint lose and throw back: cited figures, each with source and mark.

None of the standards' own texts could be opened. What is marked *from memory* has to be verified in the standard
before a rule relies on it; ``verify`` stands in the source where even the memory is unsure. Nothing here decides.
"""

from __future__ import annotations

from repairadvisor.optics.constants import Constant

#: Greatest loss of one joint, dB, unless the key says otherwise.
LOSS_DB: dict[str, Constant] = {
    "splice, any": Constant(0.3, "dB", "TIA-568.3, splice clause", "from memory"),
    "mated pair": Constant(0.75, "dB", "TIA-568.3, as a fibre association's page has it", "read"),
    "mated pair, one of reference grade": Constant(0.5, "dB", "TIA-568.3", "from memory"),
    "fusion splice, mean": Constant(0.1, "dB", "ITU-T L.12 (now L.400), second-hand", "read"),
    "splice, 97 in 100": Constant(0.2, "dB", "ITU-T L.12: verify", "from memory"),
    "fusion splice, G.671": Constant(0.3, "dB", "ITU-T G.671: verify", "from memory"),
    "mechanical splice, G.671": Constant(0.5, "dB", "ITU-T G.671: verify", "from memory"),
    "single-mode plug, G.671": Constant(0.5, "dB", "ITU-T G.671: verify", "from memory"),
    "planning, single-mode splice": Constant(0.15, "dB", "a fibre association's loss-budget page", "read"),
    "planning, multimode splice": Constant(0.3, "dB", "a fibre association's loss-budget page", "read"),
    "planning, mated pair": Constant(0.5, "dB", "a fibre association's loss-budget page", "read"),
}

#: Grades of mated pairs by IEC 61753-1: greatest mean, and what 97 in 100 keep, dB.
GRADES_DB: dict[str, tuple[Constant, Constant]] = {
    grade: tuple(Constant(value, "dB", f"IEC 61753-1 grade {grade}{verify}", "from memory") for value in values)  # type: ignore[misc]
    for grade, values, verify in (
        ("A", (0.07, 0.15), ", long unratified: verify"),
        ("B", (0.12, 0.25), ""),
        ("C", (0.25, 0.50), ""),
        ("D", (0.50, 1.00), ""),
    )
}

#: Greatest reflectance of one joint, dB.
REFLECTANCE_DB: dict[str, Constant] = {
    "fusion splice": Constant(-70.0, "dB", "ITU-T G.671: verify", "from memory"),
    "mechanical splice": Constant(-40.0, "dB", "ITU-T G.671: verify", "from memory"),
    "single-mode plug": Constant(-35.0, "dB", "ITU-T G.671: verify", "from memory"),
}
