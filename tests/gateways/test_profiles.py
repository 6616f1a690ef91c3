from __future__ import annotations

import hashlib
import hmac
import json
from base64 import b64encode
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qs, urlencode

import pytest
from hypothesis import given
from hypothesis import strategies as st
from werkzeug.wrappers import Request as WerkzeugRequest

from bot.gateways import examples
from bot.gateways.answering import answer_receipt, answer_sms, answer_ussd
from bot.gateways.profiles import (
    Profile,
    ProfileError,
    Receipt,
    State,
    Ussd,
    UssdAnswer,
    read_profile,
    read_profiles,
)
from bot.gateways.reading import (
    LONGEST_KEPT,
    Incoming,
    Report,
    Request,
    Step,
    Unreadable,
    read_receipt,
    read_sms,
    read_ussd,
    value_at,
)
from bot.gateways.signing import Signed, fault, signature
from bot.gateways.writing import fill, write_body

if TYPE_CHECKING:
    from pathlib import Path

JSON = read_profile("plain-json")
FORM = read_profile("plain-form")
SIGNED = read_profile("signed-json")
QUERY = read_profile("plain-query")
IS_JSON = "application/json"
IS_FORM = "application/x-www-form-urlencoded"

RECEIPT = '[receipt]\nbody = "form"\nstate = "s"\n'

OUT = '[sms_out]\nurl = "http://x"\nbody = "json"\n'
NAMED = 'number = "n"\ntext = "t"\n'
USSD = '[ussd]\nbody = "json"\nnumber = "n"\ntext = "t"\n'
HMAC = '[signed]\nhow = "hmac-sha256"\nsecret = "KEY"\n'

# Text that UTF-8 can hold.
texts = st.text(st.characters(exclude_categories=["Cs"]))


def sms(profile: Profile, content_type: str, body: bytes) -> Incoming | Unreadable:
    (read,) = read_sms(profile, Request(content_type, body))
    return read


def ussd(profile: Profile, content_type: str, body: bytes) -> Step | Unreadable:
    return read_ussd(profile, Request(content_type, body))


def report(profile: Profile, content_type: str, body: bytes) -> Report | Unreadable:
    (read,) = read_receipt(profile, Request(content_type, body))
    return read


@given(number=texts.filter(bool), text=texts, message_id=texts)
def test_a_text_is_read_as_the_standard_library_wrote_it(
    number: str, text: str, message_id: str
) -> None:
    fields = {"from": number, "text": text, "id": message_id}
    expected = Incoming(number, text, message_id or None)
    assert sms(JSON, IS_JSON, json.dumps(fields).encode()) == expected
    assert sms(JSON, IS_JSON, json.dumps(fields, ensure_ascii=False).encode()) == expected
    assert sms(FORM, IS_FORM, urlencode(fields).encode()) == expected


@given(session=texts.filter(bool), text=texts)
def test_a_ussd_step_is_read_as_it_was_written(session: str, text: str) -> None:
    fields = {"session": session, "from": "+255712345678", "text": text}
    expected = Step(session, "+255712345678", text)
    assert ussd(JSON, IS_JSON, json.dumps(fields).encode()) == expected
    assert ussd(FORM, IS_FORM, urlencode(fields).encode()) == expected


CONTENT_TYPES = st.one_of(
    st.text(),
    st.sampled_from([IS_JSON, IS_FORM]),
    st.sampled_from(["utf-7", "idna", "undefined", "rot13", "unicode_escape", "utf-16"]).map(
        lambda name: f"{IS_FORM}; charset={name}"
    ),
)
JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: (
        st.lists(inner)
        | st.dictionaries(
            st.sampled_from(["messages", "reports", "sender", "number", "from", "id", "session"]),
            inner,
        )
    ),
)
BYTES = st.one_of(st.binary(), JSON_VALUES.map(lambda value: json.dumps(value).encode()))


@given(
    st.sampled_from([JSON, FORM, SIGNED, QUERY, Profile()]),
    st.builds(
        Request,
        CONTENT_TYPES,
        BYTES,
        st.one_of(st.binary(), st.text().map(lambda text: urlencode({"from": text}).encode())),
        st.dictionaries(st.sampled_from(["x-signature", "x-timestamp"]), st.text()),
    ),
)
def test_no_bytes_raise(profile: Profile, request: Request) -> None:
    if profile.signed:
        assert fault(profile.signed, "key", request, 0.0)
    for found in (*read_sms(profile, request), read_ussd(profile, request)):
        if not isinstance(found, Unreadable):
            found.text.encode()
            found.number.encode()
    for each in read_receipt(profile, request):
        if not isinstance(each, Unreadable):
            (each.number + each.reference + each.reason).encode()


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (b"", "not application/json"),
        (b"[" * 100_000, "not application/json"),
        (b'{"from": ' + b"9" * 5000 + b"}", "not application/json"),
        (b"[1]", "not an object"),
        (b'{"text": "1"}', "'from'"),
        (b'{"from": {"a": 1}, "text": "1"}', "'from'"),
        (b'{"from": null}', "'from'"),
    ],
)
def test_what_cannot_be_used_says_why(body: bytes, says: str) -> None:
    found = sms(JSON, IS_JSON, body)
    assert isinstance(found, Unreadable)
    assert says in found.reason


def test_the_wrong_kind_of_body_is_named() -> None:
    assert sms(JSON, IS_FORM, b"from=1") == Unreadable(f"expected {IS_JSON}, got {IS_FORM}")


def test_a_form_with_very_many_fields_is_not_read() -> None:
    assert isinstance(sms(FORM, IS_FORM, b"&".join([b"a=1"] * 1000)), Unreadable)


def test_a_text_that_is_left_out_is_empty_and_numbers_need_no_quotes() -> None:
    body = b'{"from": 255712345678, "id": 17}'
    assert sms(JSON, IS_JSON, body) == Incoming("255712345678", "", "17")
    assert sms(FORM, "", b"from=%2B255712345678&text=") == Incoming("+255712345678", "")


def test_half_a_surrogate_and_bad_bytes_do_not_cost_the_text() -> None:
    body = b'{"from": "+255712345678", "text": "2 \\ud83d acres \\ud83d\\ude00"}'
    read = sms(JSON, IS_JSON, body)
    assert read == Incoming("+255712345678", "2 \ufffd acres \U0001f600")
    assert sms(FORM, IS_FORM, b"from=1&text=2\xff%ff") == Incoming("1", "2\ufffd\ufffd")


def test_a_latin_1_gateway_is_understood() -> None:
    body = "from=1&text=%BD+acre".encode("latin-1")
    read = sms(FORM, f"{IS_FORM}; charset=ISO-8859-1", body)
    assert read == Incoming("1", "½ acre")


def test_the_session_of_a_ussd_step_is_needed() -> None:
    assert ussd(FORM, IS_FORM, b"from=1&text=2") == Unreadable("no 'session', the session")


@given(st.lists(texts, max_size=4).map(tuple))
def test_replies_are_read_back_by_independent_readers(replies: tuple[str, ...]) -> None:
    content_type, body = answer_sms(JSON, replies)
    assert (content_type, json.loads(body)) == (IS_JSON, {"replies": list(replies)})
    in_form = write_body("form", {"reply": list(replies)})[1]
    assert tuple(parse_qs(in_form.decode(), keep_blank_values=True).get("reply", [])) == replies


def test_queued_replies_are_not_in_the_answer() -> None:
    assert answer_sms(FORM, ("hello",)) == (IS_FORM, b"")


STEP = Step("s-1", "+255712345678", "2")


@given(text=texts, more=st.booleans())
def test_a_ussd_answer_is_read_back_by_independent_readers(text: str, more: bool) -> None:  # noqa: FBT001
    assert json.loads(answer_ussd(JSON, STEP, text, more=more)[1]) == {
        "text": text,
        "continue": more,
    }
    content_type, body = answer_ussd(FORM, STEP, text, more=more)
    form = WerkzeugRequest.from_values(method="POST", data=body, content_type=content_type).form
    assert form.to_dict() == {"text": text, "continue": "true" if more else "false"}


# Reports on texts that were sent

ID = "+255712345678:7"


def reported(**fields: object) -> Report | Unreadable:
    return report(JSON, IS_JSON, json.dumps(fields).encode())


@pytest.mark.parametrize(
    ("word", "reason", "state", "said"),
    [
        ("delivered", "", "delivered", ""),
        ("DELIVERED", "0", "delivered", ""),
        (" Delivered ", "", "delivered", ""),
        ("failed", "", "failed", "failed"),
        ("Expired", "switched off", "failed", "switched off"),
        ("failed", "No Such Number", "unreachable", "No Such Number"),
        ("unreachable", "", "unreachable", "unreachable"),
        ("buffered", "", None, "buffered"),
        ("delivere", "", None, "delivere"),
    ],
)
def test_the_gateways_words_are_understood(
    word: str, reason: str, state: State | None, said: str
) -> None:
    expected = Report("+255712345678", state, 7, "+255712345678", "", said)
    assert reported(id=ID, state=word, reason=reason) == expected
    fields = urlencode({"id": ID, "state": word, "reason": reason})
    assert report(FORM, IS_FORM, fields.encode()) == expected


def test_the_gateways_own_name_for_a_text_will_do_with_the_number() -> None:
    by_reference = Report("0712345678", "delivered", 0, "", "88")
    assert reported(reference=88, to="0712345678", state="delivered") == by_reference
    # A text that went in the answer to a webhook has no id of ours, whatever stands there.
    assert reported(id="x", reference=88, to="0712345678", state="delivered") == by_reference


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"id": ID}, "no 'state', what became of the text"),
        ({"id": ID, "state": ""}, "no 'state'"),
        ({"id": ID, "state": True}, "no 'state'"),
        ({"state": "delivered", "to": "+255712345678"}, "no 'id' that names a text of ours"),
        ({"reference": "88", "state": "delivered"}, "no 'to', the number"),
    ],
)
def test_a_report_that_cannot_be_used_says_why(fields: dict[str, object], says: str) -> None:
    found = reported(**fields)
    assert isinstance(found, Unreadable)
    assert says in found.reason


@pytest.mark.parametrize(
    "wrong",
    [
        "7",
        "+255712345678",
        "+255712345678:",
        "+255712345678:0",
        "+255712345678:-7",
        "+255712345678:7 OR 1",
        "+255712345678:\u0667",  # a seven, but not of ASCII
        "+255712345678:" + "9" * 5000,
        "0712345678:7",
    ],
)
def test_what_is_no_id_of_ours_is_not_taken_for_one(wrong: str) -> None:
    assert isinstance(reported(id=wrong, state="delivered", to="+255712345678"), Unreadable)


def test_long_reasons_and_references_are_cut() -> None:
    found = reported(id=ID, state="failed", reason="x" * 9000, reference="y" * 9000)
    assert isinstance(found, Report)
    assert (len(found.reason), len(found.reference)) == (LONGEST_KEPT,) * 2


def test_a_field_without_a_name_is_none() -> None:
    names = Receipt("form", "state", ["ok"], id="id")
    body = urlencode({"": "nothing", "id": ID, "state": "ok"}).encode()
    expected = Report("+255712345678", "delivered", 7, "+255712345678")
    assert report(Profile(receipt=names), IS_FORM, body) == expected


def test_a_report_is_answered_with_nothing() -> None:
    assert answer_receipt(JSON) == (IS_JSON, b"{}")
    assert answer_receipt(FORM) == (IS_FORM, b"")
    with pytest.raises(ProfileError, match="add it to hear what arrived"):
        answer_receipt(Profile())
    assert report(Profile(), IS_JSON, b"{}") == Unreadable("the gateway profile has no [receipt]")


def test_a_profile_of_ones_own(tmp_path: Path) -> None:
    file = tmp_path / "ours.toml"
    file.write_text('[sms_in]\nbody = "form"\nnumber = "msisdn"\ntext = "message"\n')
    profile = read_profile(str(file))
    found = sms(profile, IS_FORM, b"msisdn=0712345678&message=mihogo&id=ignored")
    assert found == Incoming("0712345678", "mihogo")
    assert ussd(profile, IS_FORM, b"") == Unreadable("the gateway profile has no [ussd]")
    with pytest.raises(ProfileError, match="add it to serve USSD"):
        answer_ussd(profile, STEP, "", more=False)
    with pytest.raises(ProfileError, match="add it to receive texts"):
        answer_sms(Profile(), ())


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('[sms_inn]\nbody = "form"', "'sms_inn'; did you mean sms_in"),
        ('[sms_in]\nbody = "form"\nnumbr = "x"', "sms_in.*'numbr'; did you mean number"),
        ('[ussd.answer]\nbody = "form"\ntxt = "x"', "ussd.answer.*'txt'; did you mean text"),
        ('[sms_in]\nbody = "xml"\nnumber = "x"\ntext = "y"', "xml"),
        ('[sms_in]\nbody = "form"', "missing required field"),
        ('[sms_out]\nurl = "x"\nbody = "form"\nnumber = "x"\ntext = "y"', "must begin with https"),
        (
            '[sms_out]\nurl = "http://x"\nbody = "form"\nnumber = "x"\ntext = "y"\ntimeout_s = 0',
            "above 0",
        ),
        (
            '[sms_out]\nurl="http://x"\nbody="form"\nnumber="x"\ntext="y"\nunreachable=[503]',
            "503; name statuses from 400 to 499",
        ),
        ("[receipt]\ndeliverd = []", "receipt.*'deliverd'; did you mean delivered"),
        (f"{RECEIPT}delivered = [1]\nid = 'i'", "delivered"),
        (f"{RECEIPT}delivered = ['d']", "id or reference must name"),
        (f"{RECEIPT}delivered = ['d']\nreference = 'r'", "reference needs number"),
        (
            f"{RECEIPT}delivered = ['d']\nid = 'i'\nunreachable_reasons = ['1']",
            "unreachable_reasons needs reason",
        ),
        (f"{RECEIPT}delivered = ['D']\nfailed = ['d ']\nid = 'i'", "'d' is both delivered and"),
        (f"{RECEIPT}id = 'i'", "missing required field `delivered`"),
        ("sms_in = 5", "sms_in"),
        ("[", "not TOML"),
        ("a = " + "[" * 10_000, "not TOML"),
        ("a = " + "9" * 10_000, "not TOML"),
        ('[sms_in]\nbody="form"\nnumber="n"\ntext="t"\nmethod="GET"', "a GET has no body"),
        ('[sms_in]\nbody="form"\nnumber="n"\ntext="t"\neach="m"', "a list in JSON"),
        ('[sms_in]\nbody="json"\nnumber="n"\ntext="t"\neach="m"', "each needs id"),
        (
            '[sms_in]\nbody="json"\nnumber="n"\ntext="t"\nid="i"\neach="m"\nreply="response"',
            'write "queue"',
        ),
        ('[sms_in]\nbody="json"\nnumber="n"\ntext="t"\nid="i"\nid_header="I"', "keep one"),
        (f"{OUT}", "number must name its field, or fields"),
        (f"{OUT}number='n'\ntext='t'\nfields={{a='{{to}}', b='{{text}}'}}", "number says nothing"),
        (f"{OUT}fields={{a='{{to}}', b='{{txt}}'}}", "{txt}; did you mean text"),
        (f"{OUT}fields={{a='{{to}}'}}", "no {text}"),
        (f"{OUT}fields={{a='{{to', b='{{text}}'}}", "stray brace"),
        (f"{OUT}fields={{a='{{to!r}}', b='{{text}}'}}", "nothing may follow"),
        (f"{OUT}fields={{a='{{to.x}}', b='{{text}}'}}", "unknown placeholder"),
        (f"{OUT}fields={{a='{{to}}', b='{{text}}', c='{{token}}'}}", "{token} needs token"),
        (f"{OUT}fields={{a='{{to}}', b='{{text}}', c=2020-01-01}}", "'c' is 2020-01-01"),
        (f"{OUT}fields={{a='{{to}}', b='{{text}}', c=[{{d=nan}}]}}", "'d' is nan"),
        (
            f"{OUT.replace('json', 'form')}fields={{a='{{to}}', b={{c='{{text}}'}}}}",
            "'b' is a table",
        ),
        (f"{OUT}{NAMED}method='GET'", "a GET has no body"),
        (f"{OUT}{NAMED}user='U'", "user and password need"),
        (f"{OUT}{NAMED}user='U'\npassword='P'\ntoken='T'", "token and user"),
        (f"{OUT}{NAMED}repeats_dropped=true", "repeats_dropped needs the id"),
        (f"{OUT}{NAMED}reference='r'\nreference_header='r'", "keep one"),
        (f"{OUT.replace('http://x', 'http://')}{NAMED}", "no host"),
        (f"{OUT.replace('http://x', 'http://[x')}{NAMED}", "url"),
        (f"{OUT}{NAMED}[sms_out.answer]\nacepted=['a']", "sms_out.answer.*did you mean accepted"),
        (f"{OUT}{NAMED}[sms_out.answer]\naccepted=['a']", "words need state"),
        (f"{OUT}{NAMED}[sms_out.answer]\nstate='s'", "state needs accepted"),
        (
            f"{OUT}{NAMED}[sms_out.answer]\nstate='s'\naccepted=['a']\nlater=['A']",
            "'a' is both accepted and later",
        ),
        (f"{OUT}{NAMED}[sms_out.answer]\nlater_statuses=[200]", "from 400 to 599"),
        (
            f"{OUT}{NAMED}[sms_out.answer]\nlater_statuses=[409]\nrefused_statuses=[409]",
            "409 is named twice",
        ),
        (f'{USSD}session=""\nanswer={{body="json", text="t", more="m"}}', "session must name"),
        (f'{USSD}session="s"\nanswer={{body="json", text="t"}}', "text and more"),
        (f'{USSD}session="s"\nanswer={{body="json", fields={{a="{{text}}"}}}}', "no {more}"),
        (f'{USSD}session="s"\nanswer={{body="text"}}', "needs goes_on and ends"),
        (f'{USSD}session="s"\nanswer={{body="text", text="t"}}', "has no fields"),
        (
            f'{USSD}session="s"\nanswer={{body="text", goes_on="A", ends="A"}}',
            "goes_on and ends are both",
        ),
        (
            f'{USSD}session="s"\nanswer={{body="json", text="t", more="m", ends="A"}}',
            "need each other",
        ),
        (f"{HMAC}header='S'\nprefx='a'", "signed.*did you mean prefix"),
        (f"{HMAC}", "a signature needs header"),
        (f"{HMAC}header='S'\nover=['timestamp', 'body']", "need each other"),
        (f"{HMAC}header='S'\ntimestamp='T'", "need each other"),
        (f"{HMAC}header='S'\ntimestamp='T'\nover=['timestamp']", "over needs body or query"),
        (f"{HMAC}header='S'\nover=['body', 'body']", "each part once"),
        (f"{HMAC}header='S'\nreplay_s=0", "above 0"),
        (f"{HMAC.replace('hmac-sha256', 'token')}", "either header or query"),
        (f"{HMAC.replace('hmac-sha256', 'token')}header='S'\ntimestamp='T'", "prove nothing"),
        (f"{HMAC.replace('KEY', '')}header='S'", "name an environment variable"),
        (
            f"{HMAC}header='S'\n[sms_in]\nbody='query'\nmethod='GET'\nnumber='n'\ntext='t'",
            "does not cover sms_in, whose fields are in the query",
        ),
        (
            f"{HMAC}header='S'\n[sms_in]\nbody='json'\nnumber='n'\ntext='t'\nid_header='I'",
            "repeated under another id",
        ),
    ],
)
def test_a_bad_profile_says_what_to_correct(tmp_path: Path, text: str, says: str) -> None:
    file = tmp_path / "bad.toml"
    file.write_text(text)
    with pytest.raises(ProfileError, match=f"(?s)bad.toml.*{says}"):
        read_profile(str(file))


def test_several_profiles_have_names_and_an_order(tmp_path: Path) -> None:
    file = tmp_path / "coast.toml"
    file.write_text('prefixes = ["+25575", "+254"]\nrate = 2.5\n[modem]\nfolder = "x"\n')
    profiles = read_profiles(f" {file} ,plain-json,")
    assert list(profiles) == ["coast", "plain-json"]
    assert (profiles["coast"].prefixes, profiles["coast"].rate) == (["+25575", "+254"], 2.5)
    assert (profiles["plain-json"].prefixes, profiles["plain-json"].rate) == ([], 0.0)
    assert read_profiles("plain-json") == {"plain-json": JSON}


def test_one_profile_may_have_any_name(tmp_path: Path) -> None:
    file = tmp_path / "our gateway.toml"
    file.write_text("at_once = 2\n")
    assert list(read_profiles(str(file))) == ["our gateway"]
    with pytest.raises(ProfileError, match=r"'our gateway', which cannot stand in an address"):
        read_profiles(f"plain-json,{file}")


def test_gateways_that_cannot_be_told_apart_are_not_taken(tmp_path: Path) -> None:
    file = tmp_path / "plain-json.toml"
    file.write_text("at_once = 2\n")
    with pytest.raises(ProfileError, match=r"two gateways are named plain-json; rename the file"):
        read_profiles(f"plain-json,{file}")
    with pytest.raises(ProfileError, match=r"no gateway is named"):
        read_profiles(" , ")
    with pytest.raises(ProfileError, match=r"did you mean plain-form\?"):
        read_profiles("plain-json,plain-frm")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('prefixes = ["25575"]', "prefixes has '25575'; write the beginning of a number"),
        ('prefixes = ["+255 75"]', "'+255 75'"),
        ('prefixes = ["+0"]', "'+0'"),
        ('prefixes = ["+"]', "'+'"),
        ('prefixes = ["+2557512345678901"]', "write the beginning"),  # E.164 has 15 digits
        ('prefixes = ["+\u0662\u0665\u0665"]', "write the beginning"),
        ('prefixes = ["+254", "+254"]', "prefixes has +254 twice"),
        ('prefixes = "+254"', "array"),
        ("rate = -1", "rate"),
        ("rate = 1001", "rate"),
        ("rate = nan", "rate"),
        ('prefix = ["+254"]', "did you mean prefixes?"),
        ("rates = 5", "did you mean rate?"),
    ],
)
def test_a_bad_prefix_or_rate_says_what_to_correct(tmp_path: Path, text: str, says: str) -> None:
    file = tmp_path / "gateway.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(ProfileError) as error:
        read_profile(str(file))
    assert says in str(error.value)


def test_a_profile_in_another_encoding_says_so(tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_bytes(b"# \xe9\n")
    with pytest.raises(ProfileError, match=r"bad\.toml is not TOML"):
        read_profile(str(tmp_path / "bad.toml"))


def test_a_profile_that_is_not_there() -> None:
    with pytest.raises(ProfileError, match="did you mean plain-json"):
        read_profile("plain-jsn")
    with pytest.raises(ProfileError, match="cannot be read"):
        read_profile("/nowhere/x.toml")


# Paths, lists and queries


@given(number=texts.filter(bool), text=texts, message_id=texts)
def test_a_text_deep_in_json_and_in_a_query(number: str, text: str, message_id: str) -> None:
    one = {"sender": {"number": number}, "content": {"text": text}, "id": message_id}
    body = json.dumps({"messages": [one, {"id": 1}, one]}).encode()
    expected = Incoming(number, text, message_id or None)
    assert read_sms(SIGNED, Request(IS_JSON, body)) == [
        expected,
        Unreadable("no 'sender.number', the sender's number"),
        expected,
    ]
    query = urlencode({"from": number, "text": text, "id": message_id}).encode()
    assert read_sms(QUERY, Request(query=query)) == [expected]


@pytest.mark.parametrize(
    "body", [b"{}", b'{"messages": 1}', b'{"messages": null}', b'{"messages": {"0": 1}}']
)
def test_a_list_that_is_none(body: bytes) -> None:
    assert read_sms(SIGNED, Request(IS_JSON, body)) == [Unreadable("no list at 'messages'")]


def test_an_empty_list_brings_nothing() -> None:
    assert read_sms(SIGNED, Request(IS_JSON, b'{"messages": []}')) == []


def test_a_body_that_is_a_list_itself() -> None:
    names = Receipt("json", "s", ["ok"], reference="r", number="n", each=".")
    profile = Profile(receipt=names)
    body = b'[{"s": "ok", "r": 5, "n": "1"}, 7, {"s": "no", "r": "6", "n": "1"}]'
    first, second, third = read_receipt(profile, Request(IS_JSON, body))
    assert first == Report("1", "delivered", reference="5")
    assert second == Unreadable("no 's', what became of the text")
    assert third == Report("1", None, reference="6", reason="no")
    assert read_receipt(profile, Request(IS_JSON, b"{}")) == [Unreadable("no list at '.'")]


@pytest.mark.parametrize(
    ("path", "found"),
    [
        ("a", [{"b": 1}, 2]),
        ("a.0.b", 1),
        ("a.1", 2),
        ("a.2", None),
        ("a.-1", None),
        ("a.x", None),
        ("a.0.b.c", None),
        ("c.d", 3),
        ("", None),
        (".", None),
    ],
)
def test_paths(path: str, found: object) -> None:
    assert value_at({"a": [{"b": 1}, 2], "c.d": 3, "": 4}, path) == found


def test_an_id_in_a_header(tmp_path: Path) -> None:
    file = tmp_path / "ours.toml"
    file.write_text('[sms_in]\nbody="form"\nnumber="n"\ntext="t"\nid_header="X-Id"\n')
    request = Request(IS_FORM, b"n=1&t=2", headers={"x-id": "m-7"})
    assert read_sms(read_profile(str(file)), request) == [Incoming("1", "2", "m-7")]


# USSD both ways


@pytest.mark.parametrize(
    ("entered", "read"),
    [
        ("", ""),
        ("1", "1"),
        ("1*2*60x80", "60x80"),
        ("1*2*", ""),
        ("*384#", ""),
        ("*384*12#", ""),
        # An input with the mark in it cannot be told from two inputs.
        ("1*40*60", "60"),
    ],
)
def test_of_a_session_so_far_the_last_input_is_read(entered: str, read: str) -> None:
    query = urlencode({"session": "s", "from": "1", "text": entered}).encode()
    step = read_ussd(QUERY, Request(query=query))
    assert isinstance(step, Step)
    assert step.text == read


def test_a_step_of_a_session_so_far_is_told_from_its_repeat() -> None:
    def step(entered: str) -> str | None:
        query = urlencode({"session": "s", "from": "1", "text": entered}).encode()
        read = read_ussd(QUERY, Request(query=query))
        assert isinstance(read, Step)
        return read.id

    ids = [step(entered) for entered in ("", "1", "1*1", "1*1*1", "1*1")]
    assert ids[2] == ids[4]
    assert len(set(ids)) == 4
    assert None not in ids


def test_screens_in_plain_text_and_in_a_table() -> None:
    assert answer_ussd(QUERY, STEP, "Ngapi? ½", more=True) == (
        "text/plain; charset=utf-8",
        "MORE Ngapi? ½".encode(),
    )
    assert answer_ussd(QUERY, STEP, "{text}", more=False)[1] == b"LAST {text}"
    for more, word in ((True, "continue"), (False, "end")):
        content_type, body = answer_ussd(SIGNED, STEP, '"{more}', more=more)
        assert content_type == IS_JSON
        told = {"session": "s-1", "action": word, "screen": {"text": '"{more}'}}
        assert json.loads(body) == told
    named = UssdAnswer("form", fields={"n": "tel:{number}", "t": "{text}", "more": "{more}"})
    profile = Profile(ussd=Ussd("form", "s", "n", "t", named))
    assert answer_ussd(profile, STEP, "a&b", more=True)[1] == (
        b"n=tel%3A%2B255712345678&t=a%26b&more=true"
    )


# Bodies


TABLES = st.recursive(
    st.sampled_from(["{to}", "{text}", "<{text}> {to}", "constant", "{{to}}", 5, True]),
    lambda inner: st.lists(inner) | st.dictionaries(texts, inner),
)


@given(table=st.dictionaries(texts, TABLES), to=texts, text=texts)
def test_values_change_no_structure(table: dict[str, Any], to: str, text: str) -> None:
    """Whatever stands in a text, what is read back has the fields of the table and no other."""

    def expected(each: object) -> object:
        if isinstance(each, dict):
            return {name: expected(value) for name, value in each.items()}
        if isinstance(each, list):
            return [expected(value) for value in each]
        return {
            "{to}": to,
            "{text}": text,
            "<{text}> {to}": f"<{text}> {to}",
            "{{to}}": "{to}",
        }.get(each, each)

    filled = fill(table, {"to": to, "text": text})
    assert isinstance(filled, dict)
    assert json.loads(write_body("json", filled)[1]) == expected(table)


@given(names=st.lists(texts, unique=True, max_size=4), to=texts, text=texts)
def test_values_add_no_field_to_a_form(names: list[str], to: str, text: str) -> None:
    filled = fill({key: ["{to}", "x{text}", True] for key in names}, {"to": to, "text": text})
    assert isinstance(filled, dict)
    read = parse_qs(write_body("form", filled)[1].decode("ascii"), keep_blank_values=True)
    assert read == {key: [to, f"x{text}", "true"] for key in names}


# Signatures

NOW = 1_445_412_420.0  # Wed, 21 Oct 2015 07:27:00 GMT
CASE = b"what do ya want for nothing?"


@pytest.mark.parametrize(
    ("how", "digest"),
    [
        # RFC 4231, section 4.3 (test case 2), and RFC 2202, section 3 (test case 2)
        ("hmac-sha256", "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"),
        ("hmac-sha1", "effcdf6ae5eb2fa2d27416d5f184df9c259a7c79"),
    ],
)
def test_signatures_of_the_standards(how: str, digest: str) -> None:
    signed = Signed(how, "KEY", header="X-S", prefix="v1=")
    assert signature(signed, "Jefe", Request(body=CASE)) == f"v1={digest}"
    for written, wrong in (
        (f"v1={digest}", ""),
        (f"v1={digest.upper()}", ""),
        (f"V1={digest}", "the header X-S has another signature"),
        (digest, "the header X-S has another signature"),
        (f"v1={digest}0", "the header X-S has another signature"),
        ("v1=", "the header X-S has another signature"),
        ("v1=\u0661", "the header X-S has another signature"),
        ("", "the header X-S is missing"),
    ):
        request = Request(body=CASE, headers={"x-s": written})
        assert fault(signed, "Jefe", request, NOW) == wrong
    in_base64 = Signed(how, "KEY", header="X-S", written="base64")
    written = b64encode(bytes.fromhex(digest)).decode()
    request = Request(body=CASE, headers={"x-s": written})
    assert not fault(in_base64, "Jefe", request, NOW)
    assert fault(in_base64, "Jefe", Request(body=CASE, headers={"x-s": written.lower()}), NOW)


@given(st.binary(), st.binary(), st.sampled_from(["body", "query"]))
def test_what_is_signed_cannot_be_changed(body: bytes, other: bytes, content: str) -> None:
    over = ["timestamp", content]
    signed = Signed("hmac-sha256", "K", header="S", over=over, joined_by=".", timestamp="T")
    stamp = str(int(NOW))
    digest = hmac.new(b"key", f"{stamp}.".encode() + body, hashlib.sha256).hexdigest()

    def wrong(value: bytes, key: str = "key", **headers: str) -> str:
        given = {"t": stamp, "s": digest} | headers
        return fault(signed, key, Request(headers=given, **{content: value}), NOW)

    assert not wrong(body)
    assert bool(wrong(other)) == (other != body)
    assert wrong(body, key="kay")
    assert wrong(body, t=str(int(NOW) + 1))
    assert wrong(body + b"x")


@pytest.mark.parametrize(
    ("stamp", "says"),
    [
        ("1445412420", ""),
        ("1445412420.5", ""),
        ("1445412420000", ""),  # in milliseconds
        ("2015-10-21T07:27:00Z", ""),
        ("2015-10-21T09:27:00+02:00", ""),
        ("1445412120", ""),  # 300 s ago
        ("1445412720", ""),  # a clock 300 s ahead of ours
        ("1445412119", "signed 301 s ago, more than 300 s from our clock"),
        ("1445412721", "signed -301 s ago"),
        ("", "no time"),
        ("now", "no time"),
        ("nan", "no time"),
        ("-5", "no time"),
        ("9" * 400, "no time"),
        ("9999-12-31T23:59:59-23:59", "from our clock"),
    ],
)
def test_a_request_is_taken_within_the_time(stamp: str, says: str) -> None:
    signed = SIGNED.signed
    assert signed is not None
    request = Request(IS_JSON, b"{}", headers={"x-timestamp": stamp})
    headers = {**request.headers, "x-signature": signature(signed, "key", request)}
    found = fault(signed, "key", Request(IS_JSON, b"{}", headers=headers), NOW)
    assert says in found
    assert bool(found) == bool(says)


def test_a_token_in_a_query_or_a_header() -> None:
    in_query = QUERY.signed
    assert in_query is not None
    for query, wrong in (
        (b"from=1&token=s%2Bcret", ""),
        (b"token=other", "the query field token has another token"),
        (b"token=", "the query field token is missing"),
        (b"token=other&token=s%2Bcret", "the query field token is missing"),
        (b"\xff%ff&=", "the query field token is missing"),
    ):
        assert fault(in_query, "s+cret", Request(query=query), NOW) == wrong
    in_header = Signed("token", "K", header="Authorization", prefix="Bearer ")
    for header, wrong in (
        ("Bearer s+cret", ""),
        ("s+cret", "the header Authorization has another token"),
        ("Bearer S+CRET", "the header Authorization has another token"),
        ("Bearer \u00e9", "the header Authorization has another token"),
    ):
        request = Request(headers={"authorization": header})
        assert fault(in_header, "s+cret", request, NOW) == wrong


# Examples of requests


@pytest.mark.parametrize("name", ["plain-json", "plain-form", "signed-json", "plain-query"])
def test_the_examples_of_a_profile_are_what_it_reads(name: str) -> None:
    profile = read_profile(name)
    for make in (examples.sms_example, examples.receipt_example, examples.ussd_example):
        example = make(profile, NOW)
        assert example is not None
        headers = {name.lower(): value for name, value in example.request.headers.items()}
        request = Request(
            example.request.content_type, example.request.body, example.request.query, headers
        )
        if profile.signed:
            assert not fault(profile.signed, examples.KEY, request, NOW)
        reads: Any = {
            examples.sms_example: read_sms,
            examples.receipt_example: read_receipt,
            examples.ussd_example: lambda profile, request: [read_ussd(profile, request)],
        }[make]
        assert reads(profile, request) == [example.read]


def test_two_names_for_one_field_are_found_out() -> None:
    profile = Profile(ussd=Ussd("json", "a.b", "n", "a.b", UssdAnswer("json", "t", "m")))
    with pytest.raises(ProfileError, match=r"\[ussd\] cannot be right.*stand for one field"):
        examples.ussd_example(profile, NOW)
