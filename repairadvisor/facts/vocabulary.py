"""The one table of facts.

Every fact the product knows is one entry here: its name with the unit in it, its range or words, where it
has a meaning, what follows from it, and how it can be learnt. What an operator decides about a fact (its
prior, the question for a person on a phone, what asking costs) stands in the policy, under the same name.

Request schema, command line, web form, OpenAPI file, policy checks and documentation all read this table.
"""

from __future__ import annotations

from dataclasses import dataclass, field

#: Goes up when a name, a unit, a range, a word or an applicability changes.
VOCABULARY_VERSION = "2"

YES_NO = ("yes", "no")

#: How a fact can be learnt.
BY_PHONE, FROM_RECORDS, ON_ARRIVAL, WITH_INSTRUMENT, FROM_CONTROL = (
    "by_phone",
    "from_records",
    "on_arrival",
    "with_instrument",
    "from_control_room",
)
WAYS_TO_LEARN = (BY_PHONE, FROM_RECORDS, ON_ARRIVAL, WITH_INSTRUMENT, FROM_CONTROL)

UNDERGROUND_ROOMS = ("chamber", "footway_chamber")
DUG = ("dug_pit",)
ON_POLES = ("pole_top", "aerial_span")
INDOORS = ("customer_home", "building_riser", "basement_corridor", "equipment_room", "data_hall")
IN_THE_OPEN = (
    "wall_box",
    "surface_run",
    "street_cabinet",
    "foot_of_pole_box",
    *ON_POLES,
    *UNDERGROUND_ROOMS,
    *DUG,
)
#: Known words that are declined: they belong to the owners of another competence.
DECLINED_PLACES = (
    "rail_side",
    "high_voltage_tower",
    "vessel",
    "aircraft",
    "sea_bed",
    "explosive_atmosphere_plant",
)
PLACES = (*INDOORS, *IN_THE_OPEN, *DECLINED_PLACES)

#: Classes of networks and channels, by the kind of service they belong to; a channel over multimode fibre depends on
#: the type of the fibre as well.
LINK_CLASSES = {
    "passive_network": (
        "gpon_a",
        "gpon_b",
        "gpon_b_plus",
        "gpon_c",
        "gpon_c_plus",
        "xgs_pon_n1",
        "xgs_pon_n2",
        "xgs_pon_e1",
        "xgs_pon_e2",
        "epon_px10",
        "epon_px20",
        "epon_px30",
    ),
    "single_mode_data": (
        "1000base_lx",
        "1000base_lx10",
        "10gbase_lr",
        "10gbase_er",
        "25gbase_lr",
        "40gbase_lr4",
        "100gbase_lr4",
        "100gbase_er4",
    ),
    "multimode_lan": (
        "1000base_sx",
        "1000base_lx",
        "10gbase_sr",
        "10gbase_lrm",
        "25gbase_sr",
        "40gbase_sr4",
        "100gbase_sr4",
        "400gbase_sr4_2",
        "fibre_channel_8g",
        "fibre_channel_16g",
        "fibre_channel_32g",
    ),
    "pam4_parallel": ("100gbase_dr", "100gbase_fr1", "100gbase_lr1", "400gbase_dr4"),
}
SPLITTERS = ("none", "x2", "x4", "x8", "x16", "x32", "x64", "x128")

SINGLE_MODE_TYPES = ("g652d", "g657a1", "g657a2", "g657b3", "g655", "g654e")
MULTIMODE_TYPES = ("om1", "om2", "om3", "om4", "om5")


@dataclass(frozen=True, slots=True)
class Fact:
    """One thing that can be known.

    ``words`` is set for a fact in words, in their order; ``low`` and ``high`` (both permitted) for a number.
    ``applies`` lists facts in words, each with the words under which this fact has a meaning; all must hold.
    ``within`` maps the words of one other fact to the words of this one that are possible beside them.
    ``as_time`` is the name under which the same thing may be given as a moment: ``ago`` minutes before now
    or ``ahead`` minutes after it. ``recurs``: what happened so long ago may have happened again since it was told.
    ``passing`` facts change by themselves while the crew is on its way.
    """

    name: str
    meaning: str
    words: tuple[str, ...] = ()
    unit: str = ""
    low: float = 0.0
    high: float = 0.0
    whole: bool = False
    resolution: float = 0.1
    applies: tuple[tuple[str, tuple[str, ...]], ...] = ()
    within: tuple[str, dict[str, tuple[str, ...]]] | None = field(default=None)
    as_time: str = ""
    time_runs: str = ""
    recurs: bool = False
    passing: bool = False
    learnt: tuple[str, ...] = (BY_PHONE, ON_ARRIVAL)

    @property
    def is_number(self) -> bool:
        """Whether the fact is a number with a unit rather than one of a few words."""
        return not self.words

    def allowed_text(self) -> str:
        """The permitted range or words, as a person reads them."""
        if self.words:
            return ", ".join(self.words)
        low, high = (f"{x:g}" for x in (self.low, self.high))
        return f"{low} to {high}" + (", whole numbers" if self.whole else "")


def _word(name: str, meaning: str, words: tuple[str, ...], **more: object) -> Fact:
    return Fact(name=name, meaning=meaning, words=words, **more)  # type: ignore[arg-type]


def _yes_no(name: str, meaning: str, **more: object) -> Fact:
    return _word(name, meaning, YES_NO, **more)


def _number(name: str, meaning: str, unit: str, low: float, high: float, **more: object) -> Fact:
    return Fact(name=name, meaning=meaning, unit=unit, low=float(low), high=float(high), **more)  # type: ignore[arg-type]


def _count(name: str, meaning: str, high: float, unit: str = "pieces", **more: object) -> Fact:
    low = more.pop("low", 0.0)
    return _number(name, meaning, unit, low, high, whole=True, resolution=1.0, **more)  # type: ignore[arg-type]


_OUTDOORS = (("place", IN_THE_OPEN),)
_CHAMBER = (("place", UNDERGROUND_ROOMS),)
_ON_POLES = (("place", ON_POLES),)
_SINGLE = (("fibre_mode", ("single_mode",)),)
_TRAY = (("fault_seen", ("broken_in_tray",)),)
_MID_CABLE_DAMAGE = (("fault_seen", ("cut", "hanging", "crushed", "burnt")),)
_TESTED = (("place", UNDERGROUND_ROOMS), ("gas_test", ("clear", "alarm")))
_TYPES_BY_MODE = ("fibre_mode", {"single_mode": SINGLE_MODE_TYPES, "multimode": MULTIMODE_TYPES})
_RECORDS = (FROM_RECORDS, ON_ARRIVAL)
_METER = (WITH_INSTRUMENT, ON_ARRIVAL)

_WHAT_BROKE = (
    _word("place", "where the break is", PLACES),
    _number(
        "height_m",
        "height of the attachment above ground",
        "m",
        0,
        40,
        applies=(("place", (*ON_POLES, "wall_box", "surface_run")),),
    ),
    _number(
        "depth_m",
        "depth from the surface to the cable",
        "m",
        0,
        10,
        applies=(("place", (*UNDERGROUND_ROOMS, *DUG)),),
    ),
    _word(
        "network_part",
        "which part of the network the cable belongs to",
        ("trunk", "feeder", "distribution", "drop", "building"),
        learnt=(BY_PHONE, FROM_RECORDS),
    ),
    _word(
        "fault_seen",
        "what the caller or the crew sees",
        (
            "cut",
            "hanging",
            "crushed",
            "burnt",
            "broken_in_tray",
            "chewed_end",
            "broken_plug",
            "pulled_plug",
            "nothing_seen",
        ),
    ),
    _word(
        "danger_seen",
        "harm or danger seen at the spot",
        ("none", "hurt", "sparks", "gas_smell", "in_road"),
        passing=True,
    ),
    _word(
        "cause",
        "what did the damage",
        ("digger", "vehicle", "storm", "ice", "animal", "vandal", "fire", "recent_work", "wear"),
    ),
    _yes_no(
        "fault_located",
        "whether the tray, closure or plug of the fault is known",
        learnt=(FROM_RECORDS, WITH_INSTRUMENT),
    ),
    _number(
        "loss_change_1310_db",
        "loss now less the loss on record at 1310 nm",
        "dB",
        -5,
        60,
        resolution=0.01,
        applies=_SINGLE,
        learnt=_METER,
    ),
    _number(
        "loss_change_1550_db",
        "loss now less the loss on record at 1550 nm",
        "dB",
        -5,
        60,
        resolution=0.01,
        applies=_SINGLE,
        learnt=_METER,
    ),
    _yes_no("new_reflection", "whether the trace shows a reflection that was not there before", learnt=_METER),
    _number(
        "gap_m",
        "length of cable that is missing or spoilt between the ends",
        "m",
        0,
        2000,
        applies=_MID_CABLE_DAMAGE,
    ),
    _number(
        "cut_back_near_m",
        "cable to be cut off beyond the break, exchange side",
        "m",
        0,
        50,
        applies=_MID_CABLE_DAMAGE,
    ),
    _number(
        "cut_back_far_m",
        "cable to be cut off beyond the break, customer side",
        "m",
        0,
        50,
        applies=_MID_CABLE_DAMAGE,
    ),
    _yes_no(
        "cable_spoilt",
        "whether the cable itself is spoilt for more than the cut: crushed along its "
        "length, burnt, stretched, wet for long",
    ),
)

_CABLE = (
    _word(
        "cable_kind",
        "build of the cable",
        (
            "loose_tube",
            "ribbon",
            "tight_buffered",
            "flat_drop",
            "cordage",
            "micro_duct_unit",
            "multi_fibre_trunk",
        ),
        learnt=(BY_PHONE, FROM_RECORDS, ON_ARRIVAL),
    ),
    _yes_no(
        "cable_metallic",
        "whether there is metal anywhere in the cable or in what carries it",
        learnt=_RECORDS,
    ),
    _number(
        "coating_near_um",
        "outer diameter of the fibre's coating or buffer, exchange side",
        "µm",
        180,
        3000,
        resolution=1,
        learnt=_RECORDS,
    ),
    _number(
        "coating_far_um",
        "outer diameter of the fibre's coating or buffer, customer side",
        "µm",
        180,
        3000,
        resolution=1,
        learnt=_RECORDS,
    ),
    _count(
        "ribbon_size_count",
        "fibres in one ribbon",
        24,
        "fibres",
        low=2.0,
        applies=(("cable_kind", ("ribbon",)),),
        learnt=_RECORDS,
    ),
    _count("cable_fibre_count", "fibres in the cable", 6912, "fibres", low=1.0, learnt=(BY_PHONE, FROM_RECORDS)),
    _count("fibres_down_count", "fibres broken or out of service", 6912, "fibres", low=1.0),
    _count(
        "fibres_in_service_count",
        "of the broken fibres, those that carry service",
        6912,
        "fibres",
        learnt=(FROM_CONTROL, FROM_RECORDS),
    ),
    _count(
        "life_line_fibres_count",
        "of the broken fibres, those for emergency or life-safety service",
        6912,
        "fibres",
        learnt=(FROM_CONTROL, FROM_RECORDS),
    ),
    _count(
        "live_neighbours_count",
        "working fibres in the same tube, ribbon or tray",
        6912,
        "fibres",
        learnt=(FROM_CONTROL, FROM_RECORDS),
    ),
    _count(
        "spare_fibres_count",
        "tested dark fibres that end where the broken ones end",
        6912,
        "fibres",
        learnt=(FROM_RECORDS,),
    ),
    _number(
        "spare_fibre_margin_db",
        "margin the service would have on such a dark fibre, by record",
        "dB",
        -10,
        40,
        resolution=0.01,
        learnt=(FROM_RECORDS,),
    ),
    _word(
        "fibre_mode",
        "kind of light guide",
        ("single_mode", "multimode"),
        within=(
            "service_kind",
            {
                "passive_network": ("single_mode",),
                "single_mode_data": ("single_mode",),
                "analogue_video": ("single_mode",),
                "pam4_parallel": ("single_mode",),
                "amplified_line": ("single_mode",),
                "multimode_lan": ("multimode",),
            },
        ),
        learnt=(BY_PHONE, FROM_RECORDS, ON_ARRIVAL),
    ),
    _word(
        "fibre_type_near",
        "fibre type, exchange side",
        (*SINGLE_MODE_TYPES, *MULTIMODE_TYPES),
        within=_TYPES_BY_MODE,
        learnt=_RECORDS,
    ),
    _word(
        "fibre_type_far",
        "fibre type, customer side",
        (*SINGLE_MODE_TYPES, *MULTIMODE_TYPES),
        within=_TYPES_BY_MODE,
        learnt=_RECORDS,
    ),
    _word(
        "insert_fibre_type",
        "fibre type of the cable carried for an inserted section",
        (*SINGLE_MODE_TYPES, *MULTIMODE_TYPES),
        learnt=(BY_PHONE, ON_ARRIVAL),
    ),
    _number(
        "mode_field_near_um",
        "mode-field diameter at 1310 nm by record, exchange side",
        "µm",
        6,
        13,
        resolution=0.01,
        applies=_SINGLE,
        learnt=(FROM_RECORDS,),
    ),
    _number(
        "mode_field_far_um",
        "mode-field diameter at 1310 nm by record, customer side",
        "µm",
        6,
        13,
        resolution=0.01,
        applies=_SINGLE,
        learnt=(FROM_RECORDS,),
    ),
    _number("distance_to_plug_m", "from the break to the next plug", "m", 0, 100000),
    _word("plug_polish_near", "polish of the plug on the cable's side", ("apc", "upc")),
    _word("plug_polish_far", "polish of the port it mates with", ("apc", "upc")),
    _word("plug_family", "kind of plug at the fault", ("sc", "lc", "fc", "st", "mpo"), learnt=_RECORDS),
    _number("spare_near_m", "cable that can really be drawn to the break, exchange side", "m", 0, 500),
    _number("spare_far_m", "cable that can really be drawn to the break, customer side", "m", 0, 500),
    _word(
        "spare_near_store",
        "where the spare of the exchange side is kept",
        ("at_the_break", "next_support", "further_off"),
    ),
    _word(
        "spare_far_store",
        "where the spare of the customer side is kept",
        ("at_the_break", "next_support", "further_off"),
    ),
    _number("bench_distance_m", "way from the break to where a tent or vehicle can stand", "m", 0, 500),
    _number(
        "tray_fibre_near_m",
        "bare fibre left in the tray, exchange side",
        "m",
        0,
        10,
        resolution=0.01,
        applies=_TRAY,
        learnt=(ON_ARRIVAL, FROM_RECORDS),
    ),
    _number(
        "tray_fibre_far_m",
        "bare fibre left in the tray, customer side",
        "m",
        0,
        10,
        resolution=0.01,
        applies=_TRAY,
        learnt=(ON_ARRIVAL, FROM_RECORDS),
    ),
    _count("attempts_so_far_count", "attempts already made at this joint", 20, "attempts", learnt=_RECORDS),
    _count(
        "joints_in_length_count",
        "joints already in this length of cable",
        50,
        "joints",
        learnt=(FROM_RECORDS,),
    ),
    _yes_no(
        "section_replacement_possible",
        "whether a whole new length can be drawn in between existing joints",
        learnt=_RECORDS,
    ),
)

_SERVICE = (
    _word(
        "service_kind",
        "what the light is",
        (
            "passive_network",
            "single_mode_data",
            "analogue_video",
            "multimode_lan",
            "pam4_parallel",
            "amplified_line",
        ),
        learnt=(BY_PHONE, FROM_CONTROL, FROM_RECORDS),
    ),
    _word(
        "service_use",
        "who depends on it",
        ("home", "business", "hospital", "emergency", "trunk"),
        learnt=(BY_PHONE, FROM_CONTROL),
    ),
    _number(
        "outage_value_cu_per_h",
        "value of the service for each hour it is down",
        "cu/h",
        0,
        100000,
        resolution=1,
        learnt=(FROM_CONTROL, FROM_RECORDS),
    ),
    _yes_no("protected_route", "whether another route carries or can carry the service", learnt=(FROM_CONTROL,)),
    _number(
        "margin_db",
        "margin before the fault at the governing wavelength, after the owner's reserve",
        "dB",
        -10,
        40,
        resolution=0.01,
        learnt=(FROM_RECORDS, FROM_CONTROL, WITH_INSTRUMENT),
    ),
    _word(
        "link_class",
        "class of network or channel that the link is built to, by its standard",
        tuple(dict.fromkeys(word for words in LINK_CLASSES.values() for word in words)),
        applies=(("service_kind", tuple(LINK_CLASSES)),),
        within=("service_kind", LINK_CLASSES),
        learnt=(FROM_RECORDS, FROM_CONTROL),
    ),
    _word(
        "splitter_first",
        "ways of the first splitter in the link",
        SPLITTERS,
        applies=(("service_kind", ("passive_network",)),),
        learnt=(FROM_RECORDS,),
    ),
    _word(
        "splitter_second",
        "ways of the second splitter in the link",
        SPLITTERS,
        applies=(("service_kind", ("passive_network",)),),
        learnt=(FROM_RECORDS,),
    ),
    _number("link_length_m", "length of fibre from end to end", "m", 0, 120000, resolution=1, learnt=(FROM_RECORDS,)),
    _number(
        "link_splices_count",
        "spliced joints in the link before the fault",
        "joints",
        0,
        200,
        whole=True,
        learnt=(FROM_RECORDS,),
    ),
    _number(
        "link_plug_pairs_count",
        "mated pairs of plugs in the link before the fault",
        "pairs",
        0,
        50,
        whole=True,
        learnt=(FROM_RECORDS,),
    ),
    _number(
        "received_power_before_dbm",
        "power that the receiver saw before the fault, in the direction with the least to spare",
        "dBm",
        -60,
        20,
        learnt=(FROM_RECORDS, FROM_CONTROL),
    ),
    _number(
        "receiver_needs_dbm",
        "least power with which the receiver still works",
        "dBm",
        -60,
        10,
        learnt=(FROM_RECORDS, FROM_CONTROL),
    ),
    _number(
        "owner_reserve_db",
        "part of the margin that the owner keeps for repairs and ageing to come",
        "dB",
        0,
        10,
        learnt=(FROM_RECORDS, FROM_CONTROL),
    ),
    _number(
        "recorded_loss_cut_out_db",
        "recorded loss of the joints or plugs that the repair takes out",
        "dB",
        0,
        20,
        resolution=0.01,
        learnt=(FROM_RECORDS,),
    ),
    _number(
        "mode_field_loss_db",
        "true loss of a joint between these two fibres for unlike mode fields alone, by record or from their types",
        "dB",
        0,
        2,
        resolution=0.01,
        learnt=(FROM_RECORDS,),
    ),
    _number(
        "mode_field_loss_inserted_db",
        "true loss of both joints of an inserted section for unlike mode fields alone, by record or from the types",
        "dB",
        0,
        4,
        resolution=0.01,
        learnt=(FROM_RECORDS,),
    ),
    _number(
        "owner_joint_limit_db",
        "owner's limit for one joint, both directions averaged",
        "dB",
        0.01,
        3,
        resolution=0.01,
        learnt=(FROM_RECORDS,),
    ),
    _word(
        "owner_allows_mechanical",
        "owner's rule for mechanical joints in this part",
        ("permanent", "temporary_only", "never"),
        learnt=(FROM_RECORDS, FROM_CONTROL),
    ),
    _word(
        "owner_allows_field_fit",
        "owner's rule for field-fit plugs in this part",
        ("permanent", "temporary_only", "never"),
        learnt=(FROM_RECORDS, FROM_CONTROL),
    ),
    _yes_no(
        "owner_accepts_below_reserve",
        "whether the owner agrees to run the link below the reserve",
        learnt=(FROM_CONTROL,),
    ),
    _number(
        "reflectance_limit_db",
        "each joint or plug no worse than this",
        "dB",
        -80,
        -10,
        resolution=0.1,
        learnt=(FROM_RECORDS,),
    ),
    _number(
        "launch_power_dbm",
        "power that may stand in the fibre",
        "dBm",
        -30,
        35,
        learnt=(FROM_CONTROL, FROM_RECORDS),
    ),
    _number(
        "distance_from_pump_km",
        "from the nearest pump or amplifier that sends into this fibre",
        "km",
        0,
        500,
        applies=(("service_kind", ("amplified_line", "analogue_video")),),
        learnt=(FROM_RECORDS,),
    ),
    _yes_no(
        "light_off_confirmed",
        "whether the control room has confirmed light off and locked, both ends",
        passing=True,
        learnt=(FROM_CONTROL,),
    ),
    _number(
        "light_off_expected_min",
        "minutes until that is expected",
        "min",
        0,
        20160,
        resolution=1,
        as_time="light_off_expected_at",
        time_runs="ahead",
        learnt=(FROM_CONTROL,),
    ),
    _yes_no(
        "consent_to_interrupt",
        "whether the users of working neighbours agree to an interruption",
        passing=True,
        learnt=(FROM_CONTROL,),
    ),
    _number(
        "deadline_min",
        "minutes until service must be back",
        "min",
        0,
        20160,
        resolution=1,
        as_time="deadline_at",
        time_runs="ahead",
        learnt=(BY_PHONE, FROM_CONTROL),
    ),
)

_WEATHER = (
    _number("air_temperature_c", "air in the shade at the place", "°C", -60, 60, applies=_OUTDOORS, passing=True),
    _number(
        "bench_temperature_c",
        "air where the machine would stand, as it stands now",
        "°C",
        -60,
        80,
        applies=_OUTDOORS,
        passing=True,
        learnt=_METER,
    ),
    _number(
        "shaded_bench_temperature_c",
        "the same under a shade",
        "°C",
        -60,
        80,
        applies=_OUTDOORS,
        passing=True,
        learnt=_METER,
    ),
    _number(
        "humidity_pct",
        "relative humidity where the joint is made",
        "%RH",
        0,
        100,
        resolution=1,
        applies=_OUTDOORS,
        passing=True,
        learnt=_METER,
    ),
    _number("wind_mean_mps", "mean wind at working height", "m/s", 0, 80, applies=_OUTDOORS, passing=True),
    _number(
        "wind_gust_mps",
        "gust at working height",
        "m/s",
        0,
        100,
        applies=_OUTDOORS,
        passing=True,
        learnt=(BY_PHONE, WITH_INSTRUMENT, ON_ARRIVAL),
    ),
    _number(
        "platform_wind_limit_mps",
        "figure on the platform's own plate",
        "m/s",
        0,
        20,
        applies=_OUTDOORS,
        learnt=_RECORDS,
    ),
    _word(
        "precipitation",
        "what falls at the place",
        ("none", "drizzle", "rain", "snow", "freezing_rain"),
        applies=_OUTDOORS,
        passing=True,
    ),
    _word(
        "lightning",
        "whether thunder follows the flash within 30 s",
        ("none", "within_30_s"),
        applies=_OUTDOORS,
        passing=True,
    ),
    _number(
        "since_thunder_min",
        "minutes since the last thunder",
        "min",
        0,
        100000,
        resolution=1,
        applies=_OUTDOORS,
        passing=True,
        as_time="last_thunder_at",
        time_runs="ago",
        recurs=True,
    ),
    _yes_no("ice_on_structure", "ice on pole, ladder, platform or cable", applies=_OUTDOORS, passing=True),
    _yes_no("dust_in_air", "dust or sand in the air where the joint is made", applies=_OUTDOORS, passing=True),
    _number(
        "daylight_ends_min",
        "minutes until it is too dark to work without lamps",
        "min",
        0,
        1440,
        resolution=1,
        applies=_OUTDOORS,
        as_time="daylight_until",
        time_runs="ahead",
    ),
    _number(
        "forecast_wind_gust_mps",
        "gust forecast from the forecast's start on",
        "m/s",
        0,
        100,
        applies=_OUTDOORS,
        passing=True,
    ),
    _number(
        "forecast_air_temperature_c",
        "air temperature forecast from the forecast's start on",
        "°C",
        -60,
        60,
        applies=_OUTDOORS,
        passing=True,
    ),
    _number(
        "forecast_in_min",
        "minutes until the forecast's start",
        "min",
        0,
        4320,
        resolution=1,
        applies=_OUTDOORS,
        as_time="forecast_from",
        time_runs="ahead",
    ),
)

_UNDERGROUND = (
    _word(
        "gas_test",
        "latest gas test in the chamber",
        ("none", "clear", "alarm"),
        applies=_CHAMBER,
        passing=True,
        learnt=_METER,
    ),
    _number(
        "gas_test_age_min",
        "minutes since that test",
        "min",
        0,
        100000,
        resolution=1,
        applies=_TESTED,
        passing=True,
        as_time="gas_test_at",
        time_runs="ago",
        learnt=_METER,
    ),
    _number(
        "oxygen_pct",
        "oxygen by volume, latest reading",
        "%",
        0,
        100,
        applies=_TESTED,
        passing=True,
        learnt=_METER,
    ),
    _number(
        "flammable_pct_lel",
        "flammable gas, part of its lower explosive limit",
        "% LEL",
        0,
        100,
        applies=_TESTED,
        passing=True,
        learnt=_METER,
    ),
    _number(
        "hydrogen_sulphide_ppm",
        "hydrogen sulphide",
        "ppm",
        0,
        10000,
        applies=_TESTED,
        passing=True,
        learnt=_METER,
    ),
    _number(
        "carbon_monoxide_ppm",
        "carbon monoxide",
        "ppm",
        0,
        10000,
        applies=_TESTED,
        passing=True,
        learnt=_METER,
    ),
    _yes_no("gas_monitor_on_site", "a gas monitor in date with a trained tester", applies=_CHAMBER),
    _yes_no(
        "continuous_monitoring",
        "the monitor stays below and running while anybody works",
        applies=_CHAMBER,
        passing=True,
        learnt=(ON_ARRIVAL,),
    ),
    _yes_no("forced_air", "a blower running without a break", applies=_CHAMBER, passing=True, learnt=(ON_ARRIVAL,)),
    _yes_no("blower_on_site", "a blower is there", applies=_CHAMBER),
    _yes_no("tent_over_cover", "a tent or sheet stands over the opening", applies=_CHAMBER, passing=True),
    _yes_no(
        "entry_permit",
        "permit to enter, attendant and rescue in place",
        applies=_CHAMBER,
        passing=True,
        learnt=(ON_ARRIVAL, FROM_CONTROL),
    ),
    _yes_no(
        "arc_permit",
        "a permit that names the arc",
        applies=(("place", (*UNDERGROUND_ROOMS, "data_hall")),),
        passing=True,
        learnt=(ON_ARRIVAL, FROM_CONTROL),
    ),
    _yes_no("water_in_chamber", "standing water in the chamber", applies=_CHAMBER, passing=True),
    _yes_no(
        "joint_reachable_without_entry",
        "the closure can be lifted out with nobody below the cover or leaning in",
        applies=_CHAMBER,
        learnt=_RECORDS,
    ),
)

_SITE = (
    _yes_no("pole_shared_with_power", "power conductors on the pole", applies=_ON_POLES),
    _yes_no(
        "cable_touches_power_line",
        "the cable lies on or hangs against a power conductor",
        applies=(("place", (*ON_POLES, "wall_box", "surface_run", "foot_of_pole_box")),),
        passing=True,
    ),
    _yes_no(
        "power_isolated_confirmed",
        "the power owner has confirmed isolation, with name and time",
        applies=(("place", (*ON_POLES, "wall_box", "surface_run", "foot_of_pole_box")),),
        passing=True,
        learnt=(FROM_CONTROL,),
    ),
    _word(
        "pole_condition",
        "what the pole test says",
        ("sound", "doubtful", "untested"),
        applies=(("place", ("pole_top",)),),
        learnt=(ON_ARRIVAL, FROM_RECORDS),
    ),
    _yes_no("platform_can_reach", "ground and road let a platform reach the work", applies=_OUTDOORS),
    _yes_no("vehicle_can_stand", "a vehicle with a bench can stand within reach", applies=_OUTDOORS),
    _yes_no("tent_can_stand", "a tent can stand at the place", applies=_OUTDOORS),
    _word("traffic_near", "what passes the workplace", ("none", "footway", "road"), applies=_OUTDOORS),
    _yes_no(
        "traffic_layout_standing",
        "signs and guarding stand as the highway authority's plan says",
        applies=(("place", IN_THE_OPEN), ("traffic_near", ("footway", "road"))),
        passing=True,
        learnt=(ON_ARRIVAL,),
    ),
    _number(
        "building_year",
        "year of building",
        "year",
        1700,
        2100,
        whole=True,
        resolution=1,
        applies=(("place", INDOORS),),
    ),
    _yes_no(
        "site_permit",
        "the building's or hall's own permit to work, escort included",
        applies=(("place", ("building_riser", "equipment_room", "data_hall", "basement_corridor")),),
        learnt=(BY_PHONE, FROM_CONTROL),
    ),
    _yes_no("mains_power", "mains at the place"),
    _yes_no(
        "services_located",
        "buried gas, power and water have been located",
        applies=(("place", DUG),),
        learnt=(ON_ARRIVAL, FROM_RECORDS),
    ),
    _number(
        "access_ends_min",
        "minutes until access, change window or permit ends",
        "min",
        0,
        20160,
        resolution=1,
        as_time="access_ends_at",
        time_runs="ahead",
    ),
)

_CREW = (
    _word(
        "crew_place",
        "where the crew is now",
        ("not_sent", "travelling", "on_site"),
        passing=True,
        learnt=(FROM_CONTROL,),
    ),
    _number(
        "travel_min",
        "minutes the crew still has to travel",
        "min",
        0,
        1440,
        resolution=1,
        passing=True,
        applies=(("crew_place", ("not_sent", "travelling")),),
        learnt=(FROM_CONTROL,),
    ),
    _count("crew_count", "authorised persons there or to be sent", 20, "persons", learnt=(FROM_CONTROL,)),
    _number(
        "second_person_arrives_min",
        "minutes until the next authorised person is there",
        "min",
        0,
        20160,
        resolution=1,
        as_time="second_person_arrives_at",
        time_runs="ahead",
        learnt=(FROM_CONTROL,),
    ),
    _yes_no("may_climb", "somebody there holds climbing in date", learnt=(FROM_CONTROL,)),
    _yes_no("may_use_platform", "somebody there may operate the platform", learnt=(FROM_CONTROL,)),
    _yes_no("may_enter_chamber", "somebody there is trained for confined spaces", learnt=(FROM_CONTROL,)),
    _yes_no("attendant", "somebody there may stand attendant on top", learnt=(FROM_CONTROL,)),
    _yes_no("may_set_traffic", "somebody there may set out signs and guarding", learnt=(FROM_CONTROL,)),
    _yes_no("fusion_single_trained", "somebody there is authorised to fuse single fibres", learnt=(FROM_CONTROL,)),
    _yes_no("fusion_ribbon_trained", "somebody there is authorised to fuse ribbons", learnt=(FROM_CONTROL,)),
    _yes_no("mechanical_trained", "somebody there is authorised for mechanical splices", learnt=(FROM_CONTROL,)),
    _yes_no("field_fit_trained", "somebody there is authorised for field-fit plugs", learnt=(FROM_CONTROL,)),
    _yes_no("reads_two_way_traces", "somebody there can take and average two-way traces", learnt=(FROM_CONTROL,)),
    _yes_no(
        "may_work_near_power",
        "somebody there is authorised to work near power conductors",
        learnt=(FROM_CONTROL,),
    ),
    _yes_no(
        "may_work_high_power_light",
        "somebody there is authorised for amplified lines",
        learnt=(FROM_CONTROL,),
    ),
    _yes_no("first_aid", "somebody there holds first aid", learnt=(FROM_CONTROL,)),
)

_STOCK = (
    _word(
        "fusion_machine",
        "fusion machine on the van (a ribbon machine also does single fibres)",
        ("none", "single", "ribbon"),
        learnt=(FROM_CONTROL,),
    ),
    _number(
        "fusion_machine_arrives_min",
        "minutes until a fusion machine and its crew are on site",
        "min",
        0,
        20160,
        resolution=1,
        as_time="fusion_machine_arrives_at",
        time_runs="ahead",
        learnt=(FROM_CONTROL,),
    ),
    _number(
        "machine_charge_pct",
        "charge of the machine's battery",
        "%",
        0,
        100,
        resolution=1,
        learnt=(FROM_CONTROL, ON_ARRIVAL),
    ),
    _yes_no("van_inverter", "machine and heater can run from the vehicle", learnt=(FROM_CONTROL,)),
    _yes_no("heater_on_van", "an electric heater is on the van", learnt=(FROM_CONTROL,)),
    _yes_no("tent_on_van", "a splicing tent is on the van", learnt=(FROM_CONTROL,)),
    _yes_no(
        "holders_fit_coating",
        "holders, stripper and sleeves for this coating are on the van",
        learnt=(FROM_CONTROL,),
    ),
    _count("mechanical_splice_count", "mechanical bodies on the van that fit", 10000, learnt=(FROM_CONTROL,)),
    _count("field_plug_apc_count", "angled field-fit plugs on the van that fit", 10000, learnt=(FROM_CONTROL,)),
    _count("field_plug_upc_count", "flat field-fit plugs on the van that fit", 10000, learnt=(FROM_CONTROL,)),
    _count("pigtail_count", "factory pigtails on the van that fit", 10000, learnt=(FROM_CONTROL,)),
    _count("sleeve_count", "splice protection sleeves on the van that fit", 100000, learnt=(FROM_CONTROL,)),
    _count("closure_count", "closures or boxes on the van that fit the cable", 1000, learnt=(FROM_CONTROL,)),
    _number(
        "insert_cable_m",
        "matching cable on the van for an inserted section",
        "m",
        0,
        10000,
        resolution=1,
        learnt=(FROM_CONTROL,),
    ),
    _number(
        "insert_cable_arrives_min",
        "minutes until matching insert cable is on site",
        "min",
        0,
        20160,
        resolution=1,
        as_time="insert_cable_arrives_at",
        time_runs="ahead",
        learnt=(FROM_CONTROL,),
    ),
    _yes_no(
        "pre_made_cable_at_hand",
        "a tested factory-made cord or trunk of the right kind is to hand",
        learnt=(FROM_CONTROL,),
    ),
)

#: Every fact, in the order in which it is shown.
FACTS: tuple[Fact, ...] = (
    *_WHAT_BROKE,
    *_CABLE,
    *_SERVICE,
    *_WEATHER,
    *_UNDERGROUND,
    *_SITE,
    *_CREW,
    *_STOCK,
)

#: Facts that belong to the crew that goes and the van it takes, not to the fault.
CREW_AND_STOCK = tuple(fact.name for fact in (*_CREW, *_STOCK))

BY_NAME: dict[str, Fact] = {fact.name: fact for fact in FACTS}

#: Names under which a fact may be given as a moment, with the fact it becomes.
TIME_NAMES: dict[str, Fact] = {fact.as_time: fact for fact in FACTS if fact.as_time}


def fact_named(name: str) -> Fact:
    """The fact of that name, or the one whose moment goes by it. Raises :class:`KeyError`."""
    return BY_NAME[name] if name in BY_NAME else TIME_NAMES[name]


#: The five facts the service is asked with first (spare length is two of them).
FIRST_ASKED = ("fibre_mode", "place", "precipitation", "spare_near_m", "spare_far_m", "margin_db")
