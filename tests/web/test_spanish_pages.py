"""Pages under the Spanish policy: what a person reads on them holds no English."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from builders import a_database_url
from english_words import english_in
from flask.testing import FlaskClient
from sqlalchemy import Engine
from whole_jobs import whole_jobs

from repairadvisor.methods import policy_in_force, prepared_method
from repairadvisor.schemas.pasted import Spoken, as_line, facts_in
from repairadvisor.service import Advisor
from repairadvisor.settings import Settings, overlay_folder
from repairadvisor.store.records import Records
from repairadvisor.web.app import create_app

#: What stands in these is for programs, or is an example of how a program is asked.
_NOT_READ = frozenset(("script", "style", "code", "kbd"))
_VOID = frozenset(("br", "hr", "img", "input", "link", "meta", "use", "path", "line", "circle", "rect"))
#: Attributes that are shown or read aloud.
_SAID = ("aria-label", "title", "alt", "placeholder")
JOBS = {job.id: job for job in whole_jobs()}
LOOKED_AT = (
    "digger-driver-rings-himself",
    "thunder-over-quillmere",
    "meter-screams-at-heron-wharf",
    "ferry-at-heron-wharf",
    "a-broken-plug-and-no-more-said",
)


class _Texts(HTMLParser):
    """The texts of a page, those of its attributes too."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.found: list[str] = []
        self.within: list[str] = []
        self.language = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in _VOID:
            self.within.append(tag)
        said = dict(attrs)
        self.language = self.language or (said.get("lang") or "")
        self.found += [said[name] or "" for name in _SAID if name in said]

    def handle_endtag(self, tag: str) -> None:
        if tag in self.within:
            del self.within[len(self.within) - 1 - self.within[::-1].index(tag) :]

    def handle_data(self, data: str) -> None:
        if not _NOT_READ & set(self.within):
            self.found += [line.strip() for line in data.splitlines() if line.strip()]


@pytest.fixture(scope="module")
def method() -> object:
    return prepared_method(None, overlay=overlay_folder("spanish"))


@pytest.fixture
def spanish(tmp_path: Path, engine: Engine, method: object) -> FlaskClient:
    advisor = Advisor(method, Records(engine))  # type: ignore[arg-type]
    return create_app(Settings(database_url=a_database_url(tmp_path)), advisor).test_client()


def _left(html: str) -> dict[str, list[str]]:
    texts = _Texts(html)
    assert texts.language == "es"
    assert len(texts.found) > 3
    # Names of ours, and ids, whose digits and letters may spell a word.
    names = re.compile(r"\b[a-z]+(?:_[a-z]+)+\b|\b[0-9a-f]{12,64}\b")
    return {text: words for text in texts.found if (words := english_in(names.sub("", text)))}


def _told(job_id: str) -> dict[str, str]:
    job = JOBS[job_id]
    facts = {name: f"{value:g}" if isinstance(value, float) else value for name, value in job.facts.items()}
    plain = {name: str(value) for name, value in facts.items() if isinstance(value, str | int)}
    return {**plain, "now": job.now.isoformat()}


@pytest.mark.parametrize("page", ["/", "/facts", "/policy", "/workmanship", "/deliveries", "/pole", "/policy/compare"])
def test_a_page_is_spanish(spanish: FlaskClient, page: str) -> None:
    answer = spanish.get(page, headers={"Accept": "text/html"})
    assert answer.status_code == 200, answer.text
    text = answer.text
    if page == "/policy":  # claims are written for whoever changes the rules, and are as they are in every language
        text = re.sub(r'<section[^>]*aria-labelledby="claims".*?</section>', "", text, flags=re.DOTALL)
        assert text != answer.text
    assert not _left(text)


@pytest.mark.parametrize("job", LOOKED_AT)
def test_the_desk_and_what_is_kept_of_it_are_spanish(spanish: FlaskClient, job: str) -> None:
    answer = spanish.get("/", query_string=_told(job))
    assert answer.status_code == 200
    assert not _left(answer.text)
    kept = spanish.post("/", data=_told(job), headers={"Accept": "text/html"}, follow_redirects=True)
    assert kept.status_code == 200
    assert not _left(kept.text)
    (advice,) = set(re.findall(r"\b[0-9a-f]{32}\b", kept.text))
    for door in (f"/pole?advice={advice}", f"/cards/{advice}"):
        page = spanish.get(door, headers={"Accept": "text/html"})
        assert page.status_code in (200, 202), page.text
        assert not _left(page.text)


def test_lines_of_the_desk_are_read_back_as_they_are_shown() -> None:
    spoken = Spoken.of(policy_in_force(overlay_folder("spanish")).wording)
    told = {"fibres_down_count": "12", "margin_db": "0.5..3", "sleeve_count": "1", "place": "pole_top|aerial_span"}
    lines = [as_line(name, value, spoken) for name, value in told.items()]
    assert lines == [
        "fibras caídas = 12 fibras",
        "margen antes de la avería = 0.5 a 3 dB",
        "manguitos de empalme en la furgoneta = 1 unidad",
        "lugar de la rotura = lo alto de un poste | vano entre postes",
    ]
    assert facts_in("\n".join(lines), spoken) == (told, [])
    assert facts_in("margin_db = 0.5 to 3 dB", spoken) == ({"margin_db": "0.5..3"}, [])
