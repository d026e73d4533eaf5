"""What an operator may set, and what he is told where it is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from repairadvisor.errors import SettingsError
from repairadvisor.plugin.loading import open_plugins

SOURCE, CARRIER = "sources", "carriers"


@pytest.mark.parametrize(
    ("seam", "line", "said"),
    [
        (SOURCE, 'folder = "spool"', "folder.*no absolute path"),
        (SOURCE, "", "folder"),
        (SOURCE, 'folder = "/s"\nready_by = "luck"', "ready_by.*allowed: rename, quiet, done_file"),
        (SOURCE, 'folder = "/s"\nsettle_s = 0', "settle_s.*allowed: 0.1 to 3600 s"),
        (SOURCE, 'folder = "/s"\nsettle_s = true', "settle_s"),
        (SOURCE, 'folder = "/s"\nsettle_s = nan', "settle_s"),
        (SOURCE, 'folder = "/s"\npoll_every_s = 0.1', "poll_every_s.*allowed: 0.5 to 86400 s"),
        (SOURCE, 'folder = "/s"\nmax_bytes = 10', "max_bytes.*allowed: 1024 to 16777216 bytes"),
        (SOURCE, 'folder = "/s"\nmax_bytes = 2000.5', "max_bytes"),
        (SOURCE, 'folder = "/s"\nsetle_s = 2', "setle_s"),
        (CARRIER, 'folder = "/s"\nconsumed = "eaten"', "consumed.*allowed: kept, removed"),
        (CARRIER, 'folder = "/s"\nlongest_note = 1199', "longest_note.*allowed: 1200 to 100000 characters"),
        (CARRIER, 'folder = "s"', "folder.*no absolute path"),
    ],
)
def test_wrong_settings_are_refused_by_name(tmp_path: Path, seam: str, line: str, said: str) -> None:
    file = tmp_path / "plugins.toml"
    file.write_text(f'[{seam}.nightly]\nplugin = "spool"\n{line}\n', encoding="utf-8")

    with pytest.raises(SettingsError, match=f"(?s){seam}.nightly.*{said}"):
        open_plugins(str(file), {})
