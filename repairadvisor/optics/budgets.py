"""How much a link may lose: classes of optical networks and channels, in dB, each with source and mark.

None of the standards' own texts could be opened; what is marked *from memory* has to be verified in the
standard before a screen relies on it. Policies choose from these tables; nothing here decides.
"""

from __future__ import annotations

from dataclasses import dataclass

from repairadvisor.optics.constants import Mark


@dataclass(frozen=True, slots=True)
class NetworkClass:
    """Least and most loss in dB between line terminal and subscriber, with the bands in nm (down, up)."""

    least_db: float
    most_db: float
    down_nm: tuple[float, float]
    up_nm: tuple[float, float]
    source: str
    mark: Mark


@dataclass(frozen=True, slots=True)
class Channel:
    """A point-to-point channel: greatest insertion loss in dB at a wavelength in nm, up to a reach in m."""

    most_db: float
    wavelength_nm: float
    reach_m: float
    source: str
    mark: Mark


_GPON = ((1480.0, 1500.0), (1290.0, 1330.0))
_XGS = ((1575.0, 1580.0), (1260.0, 1280.0))
_EPON = ((1480.0, 1500.0), (1260.0, 1360.0))

NETWORK_CLASSES: dict[str, NetworkClass] = {
    "GPON A": NetworkClass(5.0, 20.0, *_GPON, "ITU-T G.984.2, by a comparison article", "read"),
    "GPON B": NetworkClass(10.0, 25.0, *_GPON, "ITU-T G.984.2, by a comparison article", "read"),
    "GPON B+": NetworkClass(
        13.0, 28.0, *_GPON, "ITU-T G.984.2, by a planning article; 13 dB from memory", "from memory"
    ),
    "GPON C": NetworkClass(15.0, 30.0, *_GPON, "ITU-T G.984.2, by a comparison article", "read"),
    "GPON C+": NetworkClass(
        17.0, 32.0, *_GPON, "ITU-T G.984.2, by a planning article; 17 dB from memory", "from memory"
    ),
    "XGS-PON N1": NetworkClass(14.0, 29.0, *_XGS, "ITU-T G.987.2 and G.9807.1, by a comparison article", "read"),
    "XGS-PON N2": NetworkClass(16.0, 31.0, *_XGS, "ITU-T G.987.2 and G.9807.1, by a comparison article", "read"),
    "XGS-PON E1": NetworkClass(18.0, 33.0, *_XGS, "ITU-T G.987.2 and G.9807.1, by a comparison article", "read"),
    "XGS-PON E2": NetworkClass(20.0, 35.0, *_XGS, "ITU-T G.987.2 and G.9807.1, by a comparison article", "read"),
    "EPON PX10": NetworkClass(5.0, 20.0, *_EPON, "IEEE 802.3, by a comparison article; bands from memory", "read"),
    "EPON PX20": NetworkClass(10.0, 24.0, *_EPON, "IEEE 802.3, by a comparison article; bands from memory", "read"),
    "EPON PX30": NetworkClass(15.0, 29.0, *_EPON, "IEEE 802.3, by a comparison article; bands from memory", "read"),
}

CHANNELS: dict[str, Channel] = {
    "1000BASE-SX OM1": Channel(2.60, 850, 275, "IEEE 802.3 clause 38", "from memory"),
    "1000BASE-SX OM2": Channel(3.56, 850, 550, "IEEE 802.3 clause 38", "from memory"),
    "1000BASE-LX multimode": Channel(2.35, 1310, 550, "IEEE 802.3 clause 38", "from memory"),
    "1000BASE-LX": Channel(4.57, 1310, 5000, "IEEE 802.3 clause 38", "from memory"),
    "1000BASE-LX10": Channel(6.0, 1310, 10_000, "IEEE 802.3 clause 59: verify", "from memory"),
    "10GBASE-SR OM1": Channel(1.6, 850, 33, "IEEE 802.3 clause 52", "from memory"),
    "10GBASE-SR OM2": Channel(1.8, 850, 82, "IEEE 802.3 clause 52", "from memory"),
    "10GBASE-SR OM3": Channel(2.6, 850, 300, "IEEE 802.3 clause 52, by a cabling maker's table", "read"),
    "10GBASE-SR OM4": Channel(2.9, 850, 400, "IEEE 802.3 clause 52", "from memory"),
    "10GBASE-LRM": Channel(1.9, 1310, 220, "equipment manuals", "read"),
    "10GBASE-LR": Channel(6.2, 1310, 10_000, "IEEE 802.3 clause 52: verify", "from memory"),
    "10GBASE-ER": Channel(11.0, 1550, 40_000, "IEEE 802.3 table 52-24, by a study group's mail", "read"),
    "25GBASE-SR OM3": Channel(1.8, 850, 70, "IEEE 802.3", "from memory"),
    "25GBASE-SR OM4": Channel(1.9, 850, 100, "a cabling maker's table", "read"),
    "25GBASE-LR": Channel(6.3, 1310, 10_000, "IEEE 802.3 clause 114: verify", "from memory"),
    "40GBASE-SR4 OM3": Channel(1.9, 850, 100, "IEEE 802.3", "from memory"),
    "40GBASE-SR4 OM4": Channel(1.5, 850, 150, "a cabling maker's table", "read"),
    "40GBASE-LR4": Channel(6.7, 1310, 10_000, "IEEE 802.3 clause 87, by a consortium's page", "read"),
    "100GBASE-SR4 OM3": Channel(1.8, 850, 70, "IEEE 802.3 clause 95", "from memory"),
    "100GBASE-SR4 OM4": Channel(1.9, 850, 100, "IEEE 802.3 clause 95", "from memory"),
    "100GBASE-LR4": Channel(6.3, 1310, 10_000, "IEEE 802.3 clause 88", "from memory"),
    "100GBASE-ER4": Channel(18.0, 1310, 40_000, "a study group's mail", "read"),
    "100GBASE-DR": Channel(3.0, 1310, 500, "IEEE 802.3 clause 140", "from memory"),
    "100GBASE-FR1": Channel(4.0, 1310, 2000, "IEEE 802.3 clause 140, by a consortium's page", "read"),
    "100GBASE-LR1": Channel(6.3, 1310, 10_000, "IEEE 802.3 clause 140", "from memory"),
    "400GBASE-DR4": Channel(3.0, 1310, 500, "IEEE 802.3 clause 124", "from memory"),
    "400GBASE-SR4.2 OM3": Channel(1.7, 850, 70, "IEEE 802.3 clause 150, by a consortium's page", "read"),
    "400GBASE-SR4.2 OM4": Channel(1.8, 850, 100, "IEEE 802.3 clause 150, by a consortium's page", "read"),
    "400GBASE-SR4.2 OM5": Channel(2.0, 850, 150, "IEEE 802.3 clause 150, by a consortium's page", "read"),
    "Fibre Channel 8G OM1": Channel(1.58, 850, 21, "a computer maker's table", "read"),
    "Fibre Channel 8G OM2": Channel(1.68, 850, 50, "a computer maker's table", "read"),
    "Fibre Channel 8G OM3": Channel(2.04, 850, 150, "a computer maker's table", "read"),
    "Fibre Channel 8G OM4": Channel(2.19, 850, 190, "a computer maker's table", "read"),
    "Fibre Channel 16G OM3": Channel(1.86, 850, 100, "a computer maker's table", "read"),
    "Fibre Channel 16G OM4": Channel(1.95, 850, 125, "a computer maker's table", "read"),
    "Fibre Channel 32G OM3": Channel(1.75, 850, 70, "a computer maker's table", "read"),
    "Fibre Channel 32G OM4": Channel(1.86, 850, 100, "a computer maker's table", "read"),
}

#: Planning range of a splitter's loss in dB by number of ways; a planning article, read.
SPLITTER_RANGE_DB: dict[int, tuple[float, float]] = {
    2: (3.3, 3.8),
    4: (6.5, 7.2),
    8: (10.2, 10.8),
    16: (13.5, 14.5),
    32: (16.5, 17.5),
    64: (19.5, 21.0),
    128: (22.5, 24.5),
}
