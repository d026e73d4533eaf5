"""The desk: what is known goes in by link, form or text; question, advice and what is unknown come out.

The method here always gives the same advice, so that what is looked at is the page. Pages are read with Python's own
HTML parser, which shares no code with the templates; addresses by RFC 3986 through ``urllib``.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import parse_qsl, urlsplit

import pytest
from builders import ADVICES, NOW, VOICE, WORDING, FixedMethod, a_database_url, an_advice
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from repairadvisor.decision.advice import Advice, PossibleAnswer, Question
from repairadvisor.facts.context import Context
from repairadvisor.facts.vocabulary import BY_NAME, FACTS, FIRST_ASKED, PLACES, TIME_NAMES
from repairadvisor.render import sentences
from repairadvisor.render.parts import parts
from repairadvisor.service import Advisor
from repairadvisor.settings import Settings
from repairadvisor.store.records import Records
from repairadvisor.web.app import create_app
from repairadvisor.web.desk import ORDER, Answers

AT = "2031-05-04T07:30:00+00:00"
SCRIPT = '"><script>alert(1)</script>'
#: Right-to-left words, and the sign that turns what follows it round (Unicode: U+202E).
HEBREW, TURNED = "\u05e2\u05de\u05d5\u05d3", "\u202etxet"


class _Page(HTMLParser):
    """What a browser would find: fields, their choices and values, buttons, labels, links, and all text."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.fields: dict[str, list[str]] = {}
        self.values: dict[str, str] = {}
        self.hidden: list[tuple[str, str]] = []
        self.buttons: list[tuple[str, str]] = []
        self.labels: list[str] = []
        self.links: list[str] = []
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.text = ""
        self.attributes: list[tuple[str, str]] = []
        self._field = ""
        self._in = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        said = {name: value or "" for name, value in attrs}
        self.tags.append(tag)
        self.attributes += said.items()
        self._in = tag
        if "id" in said:
            self.ids.append(said["id"])
        if tag == "input" and said.get("type") == "hidden":
            self.hidden.append((said["name"], said["value"]))
        elif tag in ("select", "input", "textarea"):
            self._field = said["name"]
            self.fields[self._field] = []
            self.values[self._field] = said.get("value", "")
        elif tag == "option":
            self.fields[self._field].append(said["value"])
            if "selected" in said:
                self.values[self._field] = said["value"]
        elif tag == "button":
            self.buttons.append((said.get("name", ""), said.get("value", "")))
        elif tag == "label":
            self.labels.append(said["for"])
        elif tag == "a":
            self.links.append(said["href"])

    def handle_endtag(self, tag: str) -> None:
        self._in = ""

    def handle_data(self, data: str) -> None:
        if self._in == "textarea":
            self.values["told"] += data.removeprefix("\n")
        elif self._in != "svg":
            self.text += data


def page_of(response: TestResponse) -> _Page:
    return _Page(response.get_data(as_text=True))


def words(text: str) -> str:
    return " ".join(text.split())


@dataclass(frozen=True)
class Telling(FixedMethod):
    """A method that says which facts it was told, and remembers them. It stands off where it rains."""

    asked: list[tuple[str, ...]] = field(default_factory=list)

    def advise(self, context: Context, issued_plan: str = "", *, turning: bool = False) -> Advice:
        self.asked.append(tuple(context.held))
        advice = super().advise(context, issued_plan, turning=turning)
        if "precipitation" in context.held:
            advice = replace(advice, action="stand_off", plan=None)
        unknown = tuple(name for name in ("fault_seen", "humidity_pct") if name not in context.held)
        turns = advice.turning_points if turning else ()
        said = f"Told: {', '.join(context.held)}."
        return replace(advice, say=said, unknown_that_matter=unknown, turning_points=turns)


@pytest.fixture
def method() -> Telling:
    return Telling(an_advice())


@pytest.fixture
def telling(method: Telling, tmp_path: Path, records: Records) -> FlaskClient:
    return create_app(Settings(database_url=a_database_url(tmp_path)), Advisor(method, records)).test_client()


# --- what goes in ---------------------------------------------------------------------------------------------


def test_the_first_page_asks_for_the_place_and_the_first_facts(client: FlaskClient) -> None:
    page = page_of(client.get("/"))
    assert [value for name, value in page.buttons if name == "place"] == list(PLACES)
    assert list(page.fields) == page.labels == ["told", *FIRST_ASKED]
    for name in FIRST_ASKED:
        assert page.fields[name] == (["", *BY_NAME[name].words] if BY_NAME[name].words else [])
        assert page.values[name] == ""


@pytest.mark.parametrize(
    "query",
    [
        {"place": "pole_top", "spare_near_m": "0.5..3", "precipitation": ""},
        {"told": "place = pole top\nspare_near_m: 0.5 to 3 m"},
        {"told": "# from the phone\r\nPLACE = Pole Top; spare near m = 0.5..3m"},
        {"told": "spare_near_m = 0.5..3", "place": "pole_top"},
        {"held": "place=aerial_span; spare_near_m=0.5..3", "place": "pole_top"},
        {"held": "fault_seen=cut", "told": "place=pole_top; spare_near_m=0.5..3"},
    ],
)
def test_one_state_comes_from_fields_text_and_what_was_held(
    telling: FlaskClient, method: Telling, query: dict[str, str]
) -> None:
    page = page_of(telling.get("/", query_string={**query, "now": AT}))
    assert "Told: place, spare_near_m." in page.text
    assert page.values["told"].splitlines() == [
        f"{WORDING['fact_name']['place']} = pole top",
        f"{WORDING['fact_name']['spare_near_m']} = 0.5 to 3 m",
    ]


def test_a_link_reproduces_the_whole_state(telling: FlaskClient) -> None:
    told = {"held": "place=pole_top", "told": "place=pole_top; fault_seen=cut", "margin_db": "4.2", "turning": "yes"}
    first = telling.get("/", query_string={**told, "put_aside": "humidity_pct"})
    link = next(one for one in page_of(first).links if one.startswith("/?"))
    assert (
        dict(parse_qsl(urlsplit(link).query))["now"] == first.get_data(as_text=True).split('name="now" value="')[1][:25]
    )
    again = telling.get(link)
    without_link = re.compile(r"<p>(<a href=\"/\?[^\"]*\">Link to all of this</a>|The address of this page .*)</p>")
    assert without_link.sub("", again.get_data(as_text=True)) == without_link.sub("", first.get_data(as_text=True))
    assert "Link to all of this" in first.get_data(as_text=True)
    assert "Link to all of this" not in again.get_data(as_text=True)


def test_every_form_carries_what_was_told(telling: FlaskClient) -> None:
    page = page_of(telling.get("/", query_string={"place": "pole_top", "now": AT, "put_aside": "humidity_pct"}))
    assert page.hidden == [("now", AT), ("held", "place=pole_top"), ("put_aside", "humidity_pct")] * 2


def test_a_moment_that_is_not_given_is_that_of_asking(telling: FlaskClient) -> None:
    before = datetime.now(UTC).replace(microsecond=0)
    page = page_of(telling.get("/", query_string={"place": "pole_top"}))
    said = datetime.fromisoformat(dict(page.hidden)["now"])
    assert before <= said <= datetime.now(UTC)
    afresh = page_of(telling.get("/", query_string={"place": "pole_top", "now": AT, "afresh": "yes"}))
    assert datetime.fromisoformat(dict(afresh.hidden)["now"]) >= before


def test_all_that_can_be_said_stands_in_one_form(telling: FlaskClient) -> None:
    page = page_of(telling.get("/facts"))
    assert sorted(page.fields) == sorted(fact.name for fact in FACTS)
    assert page.labels == list(page.fields)


def test_what_has_no_meaning_there_is_not_asked_and_what_is_told_is_filled_in(telling: FlaskClient) -> None:
    told = {"told": "place = pole_top", "margin_db": "4.2", "last_thunder_at": "2031-05-04T07:00:00Z", "now": AT}
    page = page_of(telling.get("/facts", query_string=told))
    assert "depth_m" not in page.fields  # the table gives it a meaning below ground only
    assert "height_m" in page.fields
    assert "since_thunder_min" not in page.fields
    filled = {name: value for name, value in page.values.items() if value}
    assert filled == {key: told[key] for key in ("margin_db", "last_thunder_at")} | {"place": "pole_top"}
    assert ("told", "") in page.hidden  # else what is taken away here would come back
    assert dict(page.hidden)["now"] == AT


# --- what comes out -------------------------------------------------------------------------------------------


def test_nothing_of_the_advice_is_missing(client: FlaskClient) -> None:
    text = words(page_of(client.get("/", query_string={"place": "pole_top", "now": AT})).text)
    advice = an_advice()
    said = dict(parts(advice, VOICE))
    assert set(ORDER) - {"checks_later"} < set(said)  # checks stand under one of two headings
    assert words(sentences.headline(advice, VOICE)) in text
    for line in (*sentences.reason(advice, VOICE), *sentences.validity(advice, VOICE)):
        assert words(line) in text
    for name in said.keys() - {"questions", "facts_used"}:  # asked at the top; told back in the text field
        for line in said[name]:
            assert words(line) in text, name
    question = advice.questions[0]
    for piece in (question.ask, question.because, *(f"{one.answer} {one.leads_to}" for one in question.answers)):
        assert words(piece) in text


def test_a_part_that_the_desk_does_not_know_is_shown_too(client: FlaskClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("repairadvisor.web.desk.parts", lambda *_: [("call", ["the yard"]), ("plan", ["walk"])])
    monkeypatch.setattr("repairadvisor.web.desk.ORDER", ("plan",))
    text = words(page_of(client.get("/", query_string={"place": "pole_top"})).text)
    assert 0 < text.index("Plan walk") < text.index("Ring the yard")


def test_each_caution_is_whole_and_stands_before_what_it_concerns(client: FlaskClient) -> None:
    text = words(page_of(client.get("/", query_string={"place": "pole_top"})).text)
    height, shards, structures = (text.index(words(caution.text)) for caution in an_advice().cautions)
    assert height < structures < text.index(an_advice().checks_on_arrival[0].not_before)
    assert height < shards < text.index(an_advice().steps[1].text)
    assert text.index(an_advice().steps[0].text) < shards


def test_the_next_question_has_its_answers_as_buttons(tmp_path: Path, records: Records) -> None:
    asked = [
        Question(
            "danger_seen", "Is anybody hurt?", "caller", (PossibleAnswer("none seen", None, ""),), "It may.", None, ()
        ),
        Question("spare_near_m", "How much?", "somebody on site", (), "", 4.0, ()),
    ]
    method = FixedMethod(an_advice(questions=tuple(asked)))
    client = create_app(Settings(database_url=a_database_url(tmp_path)), Advisor(method, records)).test_client()
    page = page_of(client.get("/", query_string={"place": "pole_top"}))
    assert [value for name, value in page.buttons if name == "danger_seen"] == list(BY_NAME["danger_seen"].words)
    assert ("put_aside", "danger_seen") in page.buttons
    assert words(sentences.question(asked[1], VOICE)) in words(page.text)
    then = page_of(client.get("/", query_string={"place": "pole_top", "put_aside": "danger_seen"}))
    assert "danger_seen" not in dict(then.buttons)
    assert "spare_near_m" in then.fields
    assert "Ask somebody at the place: How much?" in words(then.text)
    both = "/?place=pole_top&put_aside=danger_seen&put_aside=spare_near_m"
    assert "Nobody can say more just now" in page_of(client.get(both)).text
    assert "still unknown Ask the caller: Is anybody hurt?" in words(page_of(client.get(both)).text)


@pytest.mark.parametrize(
    ("said", "first"), [("", "Repair advice"), ("Nothing has to be asked.", "Nothing has to be asked.")]
)
def test_that_nothing_has_to_be_asked_is_said_where_the_advice_says_it(
    tmp_path: Path, records: Records, said: str, first: str
) -> None:
    """Standing off, nobody has said that nothing is open."""
    method = FixedMethod(replace(ADVICES["stand_off"], questions=(), questions_said=said))
    client = create_app(Settings(database_url=a_database_url(tmp_path)), Advisor(method, records)).test_client()
    html = client.get("/", query_string={"place": "pole_top"}).get_data(as_text=True)
    assert re.findall(r"<h1[^>]*>(.*?)</h1>", html) == [first]


def test_what_is_unknown_stays_visibly_so(telling: FlaskClient) -> None:
    page = page_of(telling.get("/", query_string={"place": "pole_top", "put_aside": "fault_seen"}))
    assert f"Not known, and matters {WORDING['fact_name']['fault_seen']}" in words(page.text)
    assert page.fields["fault_seen"][0] == ""
    assert page.values["fault_seen"] == ""
    assert page.text.count("not known\n") >= 2
    told = page_of(telling.get("/", query_string={"place": "pole_top", "fault_seen": "cut", "put_aside": "fault_seen"}))
    assert "fault_seen" not in told.fields
    assert ("put_aside", "fault_seen") not in told.hidden


def test_what_changed_since_the_last_answer_is_said(telling: FlaskClient) -> None:
    first = page_of(telling.get("/", query_string={"place": "pole_top", "now": AT}))
    assert "Changed since" not in first.text
    query = {**dict(first.hidden), "precipitation": "rain"}
    second = page_of(telling.get("/", query_string=query))
    text = words(second.text)
    assert "Changed since the last answer Now stand off; before, repair." in text
    assert "Plan: no longer fuse it in a tent at the foot of the pole" in text


def test_going_back_and_looking_again_works_nothing_out_anew(telling: FlaskClient, method: Telling) -> None:
    telling.get("/", query_string={"place": "pole_top", "now": AT})
    query = {"held": "place=pole_top", "fault_seen": "cut", "now": AT}
    telling.get("/", query_string=query)
    telling.get("/", query_string=query)
    telling.get("/", query_string={"place": "pole_top", "now": AT})
    assert len(method.asked) == 2


def test_no_more_answers_are_kept_at_hand_than_so_many(method: Telling) -> None:
    answers = Answers(Advisor(method, None), most=2)
    asked = [{"facts": {"margin_db": float(n)}, "now": AT, "record": False} for n in range(3)]
    for one in (*asked, asked[2], asked[0]):
        answers.on(one)
    assert len(method.asked) == 4


def test_what_would_turn_it_is_worked_out_when_it_is_asked_for(telling: FlaskClient) -> None:
    without = page_of(telling.get("/", query_string={"place": "pole_top"}))
    assert ("turning", "yes") in without.buttons
    assert "let in a section" not in without.text
    with_it = page_of(telling.get("/", query_string={"place": "pole_top", "turning": "yes"}))
    assert ("turning", "yes") not in with_it.buttons
    # Neither a step without its caution nor a list of what to carry that ends early: they are left out whole.
    assert an_advice().steps[0].text not in words(with_it.text)
    assert "Back to the whole advice" in with_it.text
    back = page_of(telling.get("/", query_string=dict(with_it.hidden)))
    assert an_advice().steps[0].text in words(back.text)
    assert an_advice().kit[0].item in words(back.text)
    assert an_advice().turning_points[0].said in words(with_it.text)


def test_that_nothing_would_turn_it_is_said(tmp_path: Path, records: Records) -> None:
    method = FixedMethod(an_advice(turning_points=(), turning_points_said="Nothing would turn it."))
    client = create_app(Settings(database_url=a_database_url(tmp_path)), Advisor(method, records)).test_client()
    assert (
        "Nothing would turn it." in page_of(client.get("/", query_string={"place": "pole_top", "turning": "yes"})).text
    )


def test_pictures_stand_in_the_page_with_their_words(client: FlaskClient) -> None:
    text = client.get("/", query_string={"place": "pole_top", "turning": "yes"}).get_data(as_text=True)
    assert text.count('role="img"') == 3
    page = _Page(text)
    assert len(page.ids) == len(set(page.ids))


@pytest.mark.parametrize(("hours", "said"), [(-1, True), (1, False)])
def test_advice_that_has_run_out_says_so(tmp_path: Path, records: Records, hours: int, said: bool) -> None:
    ends = (datetime.now(UTC) + timedelta(hours=hours)).isoformat()
    method = FixedMethod(an_advice(valid_until=ends))
    client = create_app(Settings(database_url=a_database_url(tmp_path)), Advisor(method, records)).test_client()
    page = page_of(client.get("/", query_string={"place": "pole_top"}))
    assert ("This advice has run out" in page.text) is said
    assert (("afresh", "yes") in page.buttons) is said


# --- looking leaves nothing, keeping leaves one -----------------------------------------------------------------


def test_to_look_leaves_nothing(client: FlaskClient, records: Records) -> None:
    assert client.get("/", query_string={"place": "pole_top"}).status_code == 200
    assert records.count() == 0


def test_what_is_kept_is_what_was_shown(client: FlaskClient, records: Records) -> None:
    page = page_of(client.get("/", query_string={"place": "pole_top", "spare_near_m": "0.5..3 m", "now": AT}))
    response = client.post("/", data=dict(page.hidden))
    assert response.status_code == 303
    (kept,) = records.latest(2)
    # An address that can be copied, and loaded again without keeping a second advice.
    assert response.headers["Location"] == f"/v1/advice/{kept.id}"
    shown = client.get(response.headers["Location"], headers={"Accept": "text/html"})
    assert an_advice().say in page_of(shown).text
    assert f"/pole?advice={kept.id}" in page_of(shown).links
    assert records.count() == 1
    assert set(json.loads(kept.facts)) == {"place", "spare_near_m"}
    assert json.loads(kept.facts)["spare_near_m"] == {"between": [0.5, 3.0]}
    assert json.loads(records.get(kept.id).document)["now"] == NOW.isoformat()


@pytest.mark.parametrize("origin", ["http://localhost", None])
def test_the_form_is_taken_from_this_site(client: FlaskClient, origin: str | None) -> None:
    headers = {"Origin": origin} if origin else {}
    assert client.post("/", data={"place": ""}, headers=headers).status_code == 303


def test_only_a_form_is_taken(client: FlaskClient) -> None:
    assert client.post("/", json={"place": "pole_top"}).status_code == 415


# --- what is wrong --------------------------------------------------------------------------------------------


def asked(client: FlaskClient, how: str, told: dict[str, str]) -> TestResponse:
    return client.get("/", query_string=told) if how == "GET" else client.post("/", data=told)


@pytest.mark.parametrize("how", ["GET", "POST"])
def test_what_is_wrong_is_said_on_the_page_and_what_was_typed_stays(
    client: FlaskClient, records: Records, how: str
) -> None:
    told = {"place": "pole_top", "margin_db": "99", "spare_near_m": "two", "told": "fibre_mode = single"}
    response = asked(client, how, told)
    assert response.status_code == 422
    page = page_of(response)
    assert f"{WORDING['fact_name']['margin_db']}: “99” is out of range; allowed: -10 to 40 dB" in page.text  # type: ignore[index]
    assert "kind of fibre: “single” no such word" in page.text
    assert {name: value for name, value in page.values.items() if value} == told
    assert words(an_advice().cautions[0].text) in words(page.text)
    assert {"#margin_db", "#spare_near_m", "#told"} <= set(page.links)
    assert records.count() == 0


@pytest.mark.parametrize(
    "body",
    [
        "place=pole_top&place=chamber",
        "colour=blue",
        "margin_db=nan",
        "margin_db=1_0",
        "margin_db=%00",
        "place=%ff",
        "now=soon&place=pole_top",
        "told=place",
        "told=place%3D",
        "told=place=pole_top;place=chamber",
        "told=place=pole_top&place=chamber",
        "told=a=b&told=c=d",
        "held=nobody=x",
    ],
)
@pytest.mark.parametrize("how", ["GET", "POST"])
def test_what_no_page_of_ours_sends_is_refused(client: FlaskClient, records: Records, how: str, body: str) -> None:
    form = "application/x-www-form-urlencoded"
    response = client.get(f"/?{body}") if how == "GET" else client.post("/", data=body, content_type=form)
    assert response.status_code == 422
    assert 'role="alert"' in response.get_data(as_text=True)
    assert records.count() == 0


OTHER_FIELDS = ("told", "held", "now", "afresh", "put_aside", "turning", "<b>colour</b>")


@pytest.mark.parametrize("path", ["/", "/facts"])
@pytest.mark.parametrize("fields", [(*BY_NAME, *TIME_NAMES), *((one,) for one in OTHER_FIELDS)])
def test_a_script_in_any_field_stays_text(client: FlaskClient, path: str, fields: tuple[str, ...]) -> None:
    text = client.get(path, query_string={"network_part": "drop", **dict.fromkeys(fields, SCRIPT)}).get_data(
        as_text=True
    )
    page = _Page(text)
    assert "main" in page.tags
    assert not {"script", "b"} & set(page.tags)
    assert "<script" not in text
    assert not [name for name, _ in page.attributes if name.startswith("on")]


@pytest.mark.parametrize("field", ["place", "margin_db", "told", "held", "x" * 10_000, "now", "put_aside"])
@pytest.mark.parametrize("length", [10_000, 200_000])
def test_what_is_far_too_long_is_refused_on_a_page_that_stays_small(
    client: FlaskClient, field: str, length: int
) -> None:
    response = client.get("/", query_string={"place": "", field: "z" * length})
    assert response.status_code == (200 if field == "put_aside" else 422)
    assert len(response.data) < 60_000


def test_a_thousand_faults_are_counted(client: FlaskClient) -> None:
    response = client.get("/", query_string={"told": "\n".join("a" * 5 for _ in range(1000))})
    assert response.status_code == 422
    assert len(response.data) < 60_000
    assert "and 980 more" in page_of(response).text


@pytest.mark.parametrize("text", [HEBREW, TURNED])
def test_text_that_runs_the_other_way_turns_nothing_else_round(client: FlaskClient, text: str) -> None:
    response = client.get("/", query_string={"place": text, "told": f"margin_db = {text}"})
    html = response.get_data(as_text=True)
    assert response.status_code == 422
    assert f"<bdi>place of the break: “{text}" in html or "of the break: “\N{REPLACEMENT CHARACTER}txet" in html
    # What was typed stands in its field as it was typed, and nowhere else.
    assert html.count("\u202e") == (2 if text == TURNED else 0)
    for tag in ("input", "textarea"):
        for found in re.findall(rf"<{tag} [^>]*>", html):
            assert 'type="hidden"' in found or 'dir="auto"' in found


def test_the_advice_is_shown_as_text_only(tmp_path: Path, records: Records) -> None:
    advice = an_advice(say="Stay <script>alert(1)</script> & wait.")
    app = create_app(Settings(database_url=a_database_url(tmp_path)), Advisor(FixedMethod(advice), records))
    for response in (
        app.test_client().get("/", query_string={"place": "pole_top"}),
        app.test_client().post("/", data={"place": "pole_top"}, headers={"Accept": "text/html"}, follow_redirects=True),
    ):
        assert "<script" not in response.get_data(as_text=True)
        assert "Stay <script>alert(1)</script> & wait." in page_of(response).text


# --- every page -----------------------------------------------------------------------------------------------


def test_every_link_of_the_page_leads_somewhere(client: FlaskClient) -> None:
    pages = [
        client.get("/"),
        client.get("/", query_string={"place": "pole_top"}),
        client.post("/", data={"place": "pole_top"}, headers={"Accept": "text/html"}, follow_redirects=True),
    ]
    links = {link for page in pages for link in page_of(page).links}
    assert "/pole" in page_of(pages[0]).links
    assert {"/policy", "/deliveries", "/policy/compare", "/v1/facts", "/openapi.json", "/"} <= links
    for link in {*links, "/static/page.css", "/facts"}:
        with client.get(link) as response:
            assert response.status_code == 200


@pytest.mark.parametrize(
    "path", ["/", "/?place=pole_top", "/?place=x", "/facts", "/v1/facts", "/nothing", "/static/page.css"]
)
def test_every_answer_is_guarded(client: FlaskClient, path: str) -> None:
    with client.get(path) as response:
        policy = response.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "script-src" not in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert response.headers["X-Content-Type-Options"] == "nosniff"


@pytest.mark.parametrize("path", ["/", "/?place=pole_top&turning=yes", "/?place=x", "/facts", "/policy", "/deliveries"])
def test_no_page_holds_a_script_or_a_style_of_its_own(client: FlaskClient, path: str) -> None:
    page = page_of(client.get(path))
    assert not {"script", "style", "iframe", "object"} & set(page.tags)
    names = {name for name, _ in page.attributes}
    assert "style" not in names
    assert not [name for name in names if name.startswith("on")]
    assert not [value for _, value in page.attributes if value.startswith(("http:", "https:", "//", "data:"))]


def test_colours_and_sizes_have_their_names_in_one_place() -> None:
    """A colour stands in the tokens at the head of the style sheet and nowhere else; nothing is fetched by it."""
    static = Path(__file__).parents[2] / "repairadvisor" / "web" / "static"
    sheet = "".join((static / name).read_text(encoding="utf-8") for name in ("page.css", "rules.css", "pole.css"))
    tokens, rules = sheet.split("/* --- every page --- */")
    colour = re.compile(r"#[0-9a-fA-F]{3,8}\b|\b(?:rgb|hsl|color-mix|oklch)\(")
    assert len(colour.findall(tokens)) == 15
    assert colour.findall(rules) == []
    assert "url(" not in sheet
    assert "@import" not in sheet
    named = set(re.findall(r"(--[a-z]+):", tokens))
    assert set(re.findall(r"var\((--[a-z]+)\)", sheet)) == named


def test_whoever_thinks_in_feet_reads_and_types_feet(tmp_path: Path, records: Records) -> None:
    service = Advisor(FixedMethod(an_advice()), records, "feet")
    client = create_app(Settings(database_url=a_database_url(tmp_path), units="feet"), service).test_client()
    text = words(page_of(client.get("/", query_string={"place": "pole_top", "now": AT})).text)
    assert "spare cable on the exchange side, in feet" in text
    assert "0 to 1640.4 ft" in text
    for asked, shown in (
        ({"spare_near_m": "10"}, "10 ft"),
        ({"spare_near_m": "3 m"}, "3 m"),
        ({"spare_near_m": "1e1"}, "1e1 ft"),
        ({"told": "spare cable on the exchange side = 10"}, "10 ft"),
        ({"told": "spare_near_m = 10 feet; place = pole_top"}, "10 ft"),
        ({"told": "spare_near_m = 3 metres"}, "3 m"),
        ({"spare_near_m": "5..10"}, "5 to 10 ft"),
    ):
        page = page_of(client.get("/", query_string=asked))
        line = re.compile(rf"^spare cable on the exchange side = {re.escape(shown)}$", re.MULTILINE)
        assert line.search(page.values["told"]), asked
        (link,) = [one for one in page.links if one.startswith("/?now=")]
        assert line.search(page_of(client.get(link)).values["told"]), asked
    wrong = client.get("/", query_string={"spare_near_m": "2000", "now": AT}).text
    assert "spare cable on the exchange side: “2000 ft” is out of range; allowed: 0 to 1640.4 ft" in wrong
    for name, lines in parts(an_advice(), service.voice):  # the policy's own numbers stay as it has them
        assert name == "sources" or all(not re.search(r"\d m\b", line) for line in lines)
    data = client.post("/v1/advice", json={"facts": {"place": "pole_top"}}).get_json()
    assert data["facts_used"][0]["unit"] == "m"


def test_what_is_wrong_is_said_as_the_page_calls_it(client: FlaskClient) -> None:
    page = client.get("/?air_temperature_c=190&place=pole_tip&fibres_down_count=1.5").text
    said = [words(one) for one in re.findall(r"<li><a href=\"#[a-z_]+\">(.*?)</a></li>", page)]
    name = WORDING["fact_name"]["air_temperature_c"]  # type: ignore[index]
    assert f"{name}: “190” is out of range; allowed: -60 to 60 °C" in " ".join(said)
    assert "air_temperature_c =" not in " ".join(said)
    assert "whole numbers" not in page
    assert "“1.5” is not a whole number; allowed: a whole number, 1 to 6912" in " ".join(said)


def test_one_fibre_is_one_fibre(client: FlaskClient) -> None:
    for count, said in (("1", "1 fibre"), ("2", "2 fibres")):
        page = page_of(client.get("/", query_string={"fibres_down_count": count}))
        assert page.values["told"].strip().endswith(f"= {said}")
        assert (
            page_of(client.get("/", query_string={"told": page.values["told"]})).values["told"] == page.values["told"]
        )


def test_a_page_says_in_which_language_and_direction_it_is_read(tmp_path: Path, records: Records) -> None:
    method = FixedMethod(an_advice(), wording={**WORDING, "language": {"tag": "he", "direction": "rtl"}})
    client = create_app(Settings(database_url=a_database_url(tmp_path)), Advisor(method, records)).test_client()
    assert '<html lang="he" dir="rtl">' in client.get("/policy").text


def test_what_is_filled_into_a_sentence_is_text_and_no_markup(client: FlaskClient) -> None:
    page = client.get("/?margin_db=%3Cb%3Ebold%3C/b%3E").text
    assert "<b>" not in page
    assert "“<bdi>&lt;b&gt;bold&lt;/b&gt;</bdi>” is not a number" in page
