from __future__ import annotations

import json
from typing import TYPE_CHECKING
from urllib.parse import parse_qs, urlencode

import pytest
from hypothesis import given
from hypothesis import strategies as st
from werkzeug.wrappers import Request

from bot.gateways import profiles
from bot.gateways.profiles import (
    Incoming,
    Profile,
    ProfileError,
    Receipt,
    Report,
    State,
    Step,
    Unreadable,
    answer_receipt,
    answer_sms,
    answer_ussd,
    read_profile,
    read_receipt,
    read_sms,
    read_ussd,
)

if TYPE_CHECKING:
    from pathlib import Path

JSON = read_profile("plain-json")
FORM = read_profile("plain-form")
IS_JSON = "application/json"
IS_FORM = "application/x-www-form-urlencoded"

RECEIPT = '[receipt]\nbody = "form"\nstate = "s"\n'

# Text that UTF-8 can hold.
texts = st.text(st.characters(exclude_categories=["Cs"]))


@given(number=texts.filter(bool), text=texts, message_id=texts)
def test_a_text_is_read_as_the_standard_library_wrote_it(
    number: str, text: str, message_id: str
) -> None:
    fields = {"from": number, "text": text, "id": message_id}
    expected = Incoming(number, text, message_id or None)
    assert read_sms(JSON, IS_JSON, json.dumps(fields).encode()) == expected
    assert read_sms(JSON, IS_JSON, json.dumps(fields, ensure_ascii=False).encode()) == expected
    assert read_sms(FORM, IS_FORM, urlencode(fields).encode()) == expected


@given(session=texts.filter(bool), text=texts)
def test_a_ussd_step_is_read_as_it_was_written(session: str, text: str) -> None:
    fields = {"session": session, "from": "+255712345678", "text": text}
    expected = Step(session, "+255712345678", text)
    assert read_ussd(JSON, IS_JSON, json.dumps(fields).encode()) == expected
    assert read_ussd(FORM, IS_FORM, urlencode(fields).encode()) == expected


@given(
    st.sampled_from([JSON, FORM, Profile()]),
    st.one_of(
        st.text(),
        st.sampled_from([IS_JSON, IS_FORM]),
        st.sampled_from(["utf-7", "idna", "undefined", "rot13", "unicode_escape", "utf-16"]).map(
            lambda name: f"{IS_FORM}; charset={name}"
        ),
    ),
    st.one_of(st.binary(), st.text().map(lambda text: json.dumps({"from": text}).encode())),
)
def test_no_bytes_raise(profile: Profile, content_type: str, body: bytes) -> None:
    for read in (read_sms, read_ussd):
        found = read(profile, content_type, body)
        if not isinstance(found, Unreadable):
            found.text.encode()
            found.number.encode()
    report = read_receipt(profile, content_type, body)
    if not isinstance(report, Unreadable):
        (report.number + report.reference + report.reason).encode()


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
    found = read_sms(JSON, IS_JSON, body)
    assert isinstance(found, Unreadable)
    assert says in found.reason


def test_the_wrong_kind_of_body_is_named() -> None:
    assert read_sms(JSON, IS_FORM, b"from=1") == Unreadable(f"expected {IS_JSON}, got {IS_FORM}")


def test_a_form_with_very_many_fields_is_not_read() -> None:
    assert isinstance(read_sms(FORM, IS_FORM, b"&".join([b"a=1"] * 1000)), Unreadable)


def test_a_text_that_is_left_out_is_empty_and_numbers_need_no_quotes() -> None:
    body = b'{"from": 255712345678, "id": 17}'
    assert read_sms(JSON, IS_JSON, body) == Incoming("255712345678", "", "17")
    assert read_sms(FORM, "", b"from=%2B255712345678&text=") == Incoming("+255712345678", "")


def test_half_a_surrogate_and_bad_bytes_do_not_cost_the_text() -> None:
    body = b'{"from": "+255712345678", "text": "2 \\ud83d acres \\ud83d\\ude00"}'
    read = read_sms(JSON, IS_JSON, body)
    assert read == Incoming("+255712345678", "2 \ufffd acres \U0001f600")
    assert read_sms(FORM, IS_FORM, b"from=1&text=2\xff%ff") == Incoming("1", "2\ufffd\ufffd")


def test_a_latin_1_gateway_is_understood() -> None:
    body = "from=1&text=%BD+acre".encode("latin-1")
    read = read_sms(FORM, f"{IS_FORM}; charset=ISO-8859-1", body)
    assert read == Incoming("1", "½ acre")


def test_the_session_of_a_ussd_step_is_needed() -> None:
    assert read_ussd(FORM, IS_FORM, b"from=1&text=2") == Unreadable("no 'session', the session")


@given(st.lists(texts, max_size=4).map(tuple))
def test_replies_are_read_back_by_independent_readers(replies: tuple[str, ...]) -> None:
    content_type, body = answer_sms(JSON, replies)
    assert (content_type, json.loads(body)) == (IS_JSON, {"replies": list(replies)})
    in_form = profiles.write_body("form", {"reply": list(replies)})[1]
    assert tuple(parse_qs(in_form.decode(), keep_blank_values=True).get("reply", [])) == replies


def test_queued_replies_are_not_in_the_answer() -> None:
    assert answer_sms(FORM, ("hello",)) == (IS_FORM, b"")


@given(text=texts, more=st.booleans())
def test_a_ussd_answer_is_read_back_by_independent_readers(text: str, more: bool) -> None:  # noqa: FBT001
    assert json.loads(answer_ussd(JSON, text, more)[1]) == {"text": text, "continue": more}
    content_type, body = answer_ussd(FORM, text, more)
    form = Request.from_values(method="POST", data=body, content_type=content_type).form
    assert form.to_dict() == {"text": text, "continue": "true" if more else "false"}


# Reports on texts that were sent

ID = "+255712345678:7"


def reported(**fields: object) -> Report | Unreadable:
    return read_receipt(JSON, IS_JSON, json.dumps(fields).encode())


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
    assert read_receipt(FORM, IS_FORM, fields.encode()) == expected


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
    assert (len(found.reason), len(found.reference)) == (profiles.LONGEST_KEPT,) * 2


def test_a_field_without_a_name_is_none() -> None:
    names = Receipt("form", "state", ["ok"], id="id")
    body = urlencode({"": "nothing", "id": ID, "state": "ok"}).encode()
    expected = Report("+255712345678", "delivered", 7, "+255712345678")
    assert read_receipt(Profile(receipt=names), IS_FORM, body) == expected


def test_a_report_is_answered_with_nothing() -> None:
    assert answer_receipt(JSON) == (IS_JSON, b"{}")
    assert answer_receipt(FORM) == (IS_FORM, b"")
    with pytest.raises(ProfileError, match="add it to hear what arrived"):
        answer_receipt(Profile())
    assert read_receipt(Profile(), IS_JSON, b"{}") == Unreadable(
        "the gateway profile has no [receipt]"
    )


def test_a_profile_of_ones_own(tmp_path: Path) -> None:
    file = tmp_path / "ours.toml"
    file.write_text('[sms_in]\nbody = "form"\nnumber = "msisdn"\ntext = "message"\n')
    profile = read_profile(str(file))
    found = read_sms(profile, IS_FORM, b"msisdn=0712345678&message=mihogo&id=ignored")
    assert found == Incoming("0712345678", "mihogo")
    assert read_ussd(profile, IS_FORM, b"") == Unreadable("the gateway profile has no [ussd]")
    with pytest.raises(ProfileError, match="add it to serve USSD"):
        answer_ussd(profile, "", False)
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
    ],
)
def test_a_bad_profile_says_what_to_correct(tmp_path: Path, text: str, says: str) -> None:
    file = tmp_path / "bad.toml"
    file.write_text(text)
    with pytest.raises(ProfileError, match=f"(?s)bad.toml.*{says}"):
        read_profile(str(file))


def test_a_profile_that_is_not_there() -> None:
    with pytest.raises(ProfileError, match="did you mean plain-json"):
        read_profile("plain-jsn")
    with pytest.raises(ProfileError, match="cannot be read"):
        read_profile("/nowhere/x.toml")
