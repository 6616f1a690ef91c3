"""Each thing the doctor looks at, as it should be and as it should not."""

from __future__ import annotations

import socket
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import pytest
from conftest import NORTH
from msgspec.structs import replace

from bot.dialogue.records import Grower, enqueue
from bot.operating import checking_redis, checking_setup, checking_work
from bot.operating.backups import backup
from bot.operating.doctor import examined
from bot.operating.findings import Finding, Patient
from bot.settings import Settings
from bot.store import keys
from bot.store.beats import SILENT_S, Beats
from bot.store.codec import version_bytes
from bot.store.connecting import connect
from bot.store.groups import Groups
from bot.store.growers import NEW, Commit, Store
from bot.store.people import People
from bot.store.rounds import Round, Rounds
from bot.store.texts import Line

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    import redis

NUMBER = "+255712345678"
NOW = 1_772_431_200.0  # 2 March 2026, 09:00 in Dar es Salaam
WELL_SET = Settings(
    redis_url="redis://x",
    help_number="+255700000001",
    poison_number="+255700000002",
    backup_to="age16z6xxy0lqs27ml6qqgd9zkxpyhmd2gljpjgmp7lfqsjzrrydldnqcma4sf",
    secret="a secret of some length",  # noqa: S106 - a test's
    proxies=1,
)


@pytest.fixture
def patient(redis_client: redis.Redis) -> Patient:
    return Patient(WELL_SET, {}, lambda: NOW, redis_client)


@pytest.fixture
def unproved(monkeypatch: pytest.MonkeyPatch) -> None:
    """Proving takes a second or two, and has tests of its own."""
    monkeypatch.setattr(checking_setup, "prove", lambda _: [])


def found(check: Callable[[Patient], Iterator[Finding]], patient: Patient) -> list[Finding]:
    findings = list(check(patient))
    # Whatever is not as it should be says what to do.
    assert all(bool(each.mend) == (each.level != "ok") for each in findings)
    return findings


def levels(check: Callable[[Patient], Iterator[Finding]], patient: Patient) -> list[str]:
    return [each.level for each in found(check, patient)]


@contextmanager
def configured(client: redis.Redis, **settings: str) -> Iterator[None]:
    """A Redis that is set otherwise for a while."""
    names = {name.replace("_", "-"): value for name, value in settings.items()}
    before: dict[str, Any] = {}
    for name in names:
        before |= client.config_get(name)
    try:
        for name, value in names.items():
            client.config_set(name, value)
        yield
    finally:
        for name, value in before.items():
            client.config_set(name, value)


def test_what_is_well_set_is_well(patient: Patient) -> None:
    assert levels(checking_setup.settings, patient) == ["ok"]


@pytest.mark.parametrize(
    ("change", "level", "named"),
    [
        ({"redis_url": ""}, "warning", "REDIS_URL"),
        ({"desk_pages": True, "secret": ""}, "warning", "FIELDBELL_SECRET"),
        ({"secret": "short"}, "wrong", "FIELDBELL_SECRET"),
        ({"metrics_key": "short"}, "wrong", "FIELDBELL_METRICS_KEY"),
        ({"desk_pages": True, "proxies": 0}, "warning", "FIELDBELL_PROXIES"),
        ({"help_number": ""}, "warning", "FIELDBELL_HELP_NUMBER"),
        ({"poison_number": ""}, "warning", "FIELDBELL_POISON_NUMBER"),
        ({"backup_to": ""}, "warning", "FIELDBELL_BACKUP_TO"),
        ({"backup_to": "age1..."}, "wrong", "FIELDBELL_BACKUP_TO"),
        ({"backup_to": WELL_SET.backup_to[:-1] + "x"}, "wrong", "FIELDBELL_BACKUP_TO"),
        ({"gateway_prices": "plain-jsn=18"}, "warning", "plain-jsn"),
    ],
)
def test_what_is_not_set_is_named(
    patient: Patient, change: dict[str, Any], level: str, named: str
) -> None:
    patient.settings = replace(WELL_SET, **change)
    (ill,) = (each for each in found(checking_setup.settings, patient) if each.level != "ok")
    assert ill.level == level
    assert named in ill.found


class TestLanguages:
    def test_flows_that_prove_are_well_and_others_are_not(
        self, patient: Patient, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(checking_setup, "prove", lambda _: [])
        assert levels(checking_setup.languages, patient) == ["ok"]
        monkeypatch.setattr(checking_setup, "prove", lambda _: ["clearing.cover: no way out"])
        (ill,) = found(checking_setup.languages, patient)
        assert (ill.level, "no way out" in ill.found) == ("wrong", True)

    def test_a_districts_file_that_cannot_be_used(self, patient: Patient, tmp_path: Path) -> None:
        file = tmp_path / "district.yaml"
        file.write_text("figures: {no_such_figure: 5}\n")
        patient.settings = Settings(district=file)
        (ill,) = found(checking_setup.languages, patient)
        assert ill.level == "wrong"
        assert "no_such_figure" in ill.found


class TestGateway:
    def profile(self, tmp_path: Path, text: str) -> Settings:
        file = tmp_path / "ours.toml"
        file.write_text(text)
        return replace(WELL_SET, gateway=str(file))

    def test_one_that_answers_is_well(self, patient: Patient, tmp_path: Path) -> None:
        with socket.create_server(("127.0.0.1", 0)) as server:
            port = server.getsockname()[1]
            patient.settings = self.profile(
                tmp_path,
                f'[sms_out]\nurl = "http://127.0.0.1:{port}/"\nbody = "json"\n'
                'number = "to"\ntext = "text"\ntoken = "OURS_TOKEN"\n',
            )
            patient.environ = {"OURS_TOKEN": "x"}
            assert levels(checking_setup.gateway, patient) == ["ok"]
            patient.environ = {}
            missing, reached = found(checking_setup.gateway, patient)
        assert (missing.level, reached.level) == ("wrong", "ok")
        assert "OURS_TOKEN" in missing.found

    def test_one_that_does_not_answer(self, patient: Patient, tmp_path: Path) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))  # taken, and not listening
            port = probe.getsockname()[1]
            patient.settings = self.profile(
                tmp_path,
                f'[smpp]\nhost = "127.0.0.1"\nport = {port}\nsystem_id = "x"\n'
                'password = "OURS"\nsource = "15000"\n',
            )
            patient.environ = {"OURS": "x"}
            (ill,) = found(checking_setup.gateway, patient)
        assert ill.level == "wrong"
        assert str(port) in ill.found

    def test_one_whose_name_nobody_knows(self, patient: Patient, tmp_path: Path) -> None:
        # RFC 2606, 2: .invalid is nobody's.
        patient.settings = self.profile(
            tmp_path,
            '[sms_out]\nurl = "https://gateway.invalid/"\nbody = "json"\n'
            'number = "to"\ntext = "text"\n',
        )
        (ill,) = found(checking_setup.gateway, patient)
        assert ill.level == "wrong"
        assert "gateway.invalid" in ill.found

    def test_a_modem_without_its_folder(self, patient: Patient, tmp_path: Path) -> None:
        patient.settings = self.profile(tmp_path, f'[modem]\nfolder = "{tmp_path}/modem"\n')
        assert levels(checking_setup.gateway, patient) == ["wrong"]
        (tmp_path / "modem").mkdir()
        assert levels(checking_setup.gateway, patient) == ["ok"]

    def test_one_that_anybody_may_write_to_and_none_to_send_by(
        self, patient: Patient, tmp_path: Path
    ) -> None:
        patient.settings = self.profile(
            tmp_path,
            '[sms_in]\nbody = "form"\nnumber = "from"\ntext = "text"\nreply = "queue"\n',
        )
        assert levels(checking_setup.gateway, patient) == ["warning", "warning"]

    def test_each_of_several_is_looked_at_and_told_apart(
        self, patient: Patient, tmp_path: Path
    ) -> None:
        one, other = tmp_path / "coast.toml", tmp_path / "inland.toml"
        for file, prefix in ((one, "+25575"), (other, "+25571")):
            file.write_text(
                f'prefixes = ["{prefix}"]\n[modem]\nfolder = "{tmp_path}/{file.stem}"\n'
            )
        (tmp_path / "coast").mkdir()
        patient.settings = replace(WELL_SET, gateway=f"{one},{other}")
        well, ill, some = found(checking_setup.gateway, patient)
        assert (well.level, ill.level, some.level) == ("ok", "wrong", "warning")
        assert "coast" in well.found
        assert "inland" in ill.found
        assert "+25571, +25575" in some.found  # who has another number gets no text
        other.write_text(f'[modem]\nfolder = "{tmp_path}/coast"\n')
        assert levels(checking_setup.gateway, patient) == ["ok", "ok"]

    def test_the_secret_that_is_missing_is_told_with_its_profile(
        self, patient: Patient, tmp_path: Path
    ) -> None:
        patient.settings = self.profile(
            tmp_path,
            '[sms_out]\nurl = "http://127.0.0.1:1/"\nbody = "json"\n'
            'number = "to"\ntext = "text"\ntoken = "OURS_TOKEN"\n',
        )
        ill, _ = found(checking_setup.gateway, patient)
        assert ill.found.startswith("ours: ")

    def test_one_that_cannot_be_read(self, patient: Patient, tmp_path: Path) -> None:
        patient.settings = self.profile(tmp_path, "[sms_otu]\n")
        (ill,) = found(checking_setup.gateway, patient)
        assert "did you mean sms_out?" in ill.found


class TestRedis:
    def test_one_as_we_start_it_is_well(self, patient: Patient) -> None:
        patient.clock = time.time
        for check in (
            checking_redis.reached,
            checking_redis.version,
            checking_redis.role,
            checking_redis.memory,
            checking_redis.persistence,
            checking_redis.clock,
        ):
            assert levels(check, patient) == ["ok"], check

    def test_one_that_would_drop_growers(self, patient: Patient) -> None:
        with configured(patient.redis, maxmemory_policy="allkeys-lru"):
            ill, _ = found(checking_redis.memory, patient)
        assert ill.level == "wrong"
        assert "allkeys-lru" in ill.found

    @pytest.mark.parametrize(("share", "level"), [(0.8, "warning"), (0.95, "wrong")])
    def test_one_that_is_nearly_full(self, patient: Patient, share: float, level: str) -> None:
        used = patient.redis.info()["used_memory"]
        with configured(patient.redis, maxmemory=str(int(used / share))):
            assert levels(checking_redis.memory, patient) == [level]

    def test_one_that_keeps_nothing_on_its_disk(self, patient: Patient) -> None:
        with configured(patient.redis, appendonly="no"):
            (ill,) = found(checking_redis.persistence, patient)
        assert ill.level == "wrong"
        assert "append-only" in ill.found
        with configured(patient.redis, appendfsync="no"):
            assert levels(checking_redis.persistence, patient) == ["wrong"]

    def test_a_replica(self, patient: Patient) -> None:
        patient.redis.replicaof("127.0.0.1", 1)
        try:
            (ill,) = found(checking_redis.role, patient)
        finally:
            patient.redis.replicaof("NO", "ONE")
        assert ill.level == "wrong"

    def test_too_few_replicas_for_what_texts_wait_for(self, patient: Patient) -> None:
        assert levels(checking_redis.copies, patient) == []  # texts wait for none
        patient.settings = replace(WELL_SET, replicas=2)
        (ill,) = found(checking_redis.copies, patient)
        assert ill.level == "wrong"
        assert "0 of 2" in ill.found

    def test_one_that_may_not_wait_for_replicas(self, patient: Patient) -> None:
        place = patient.redis.connection_pool.connection_kwargs["path"]
        patient.redis.execute_command(
            "ACL", "SETUSER", "limited", "on", ">pass", "~*", "&*", "+@all", "-wait"
        )
        try:
            with connect(f"unix://limited:pass@{place}") as limited:
                waiting = Patient(replace(WELL_SET, replicas=1), {}, lambda: NOW, limited)
                (ill,) = found(checking_redis.copies, waiting)
        finally:
            patient.redis.execute_command("ACL", "DELUSER", "limited")
        assert ill.level == "wrong"
        assert "WAIT" in ill.found

    def test_one_that_is_too_old(self, patient: Patient, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(checking_redis, "OLDEST", (99, 0))
        assert levels(checking_redis.version, patient) == ["wrong"]

    @pytest.mark.parametrize(("free", "level"), [(10, "ok"), (2, "warning"), (0.5, "wrong")])
    def test_a_disk_that_is_nearly_full(
        self, patient: Patient, monkeypatch: pytest.MonkeyPatch, free: float, level: str
    ) -> None:
        monkeypatch.setattr(checking_redis, "info", lambda _: {"used_memory": 1e6})

        class Usage:
            def __init__(self, _: str) -> None:
                self.free = free * 1e6

        monkeypatch.setattr(checking_redis.shutil, "disk_usage", Usage)
        assert levels(checking_redis.disk, patient) == [level]

    @pytest.mark.parametrize(
        ("ahead", "level"), [(0, "ok"), (-20, "warning"), (20, "warning"), (3600, "wrong")]
    )
    def test_clocks_that_differ(self, patient: Patient, ahead: float, level: str) -> None:
        patient.clock = lambda: time.time() + ahead
        assert levels(checking_redis.clock, patient) == [level]


class TestRecords:
    def test_growers_as_the_indexes_know_them_are_well(self, lived_in: Store) -> None:
        patient = Patient(WELL_SET, {}, time.time, lived_in.redis)
        (well,) = found(checking_work.records, patient)
        assert well.level == "ok"
        assert "200 growers" in well.found

    def test_one_that_cannot_be_read(self, patient: Patient) -> None:
        patient.store.commit(NUMBER, NEW, Grower(), due=None)
        for bad in (b"\x92\x01", b"\x92\x63\x90"):  # cut short; of a newer schema
            patient.redis.set(keys.grower_key(NUMBER), version_bytes(7) + bad)
            (ill,) = found(checking_work.records, patient)
            assert ill.level == "wrong"
            assert NUMBER not in ill.found

    @pytest.mark.parametrize("index", ["members", "calls", "due"])
    def test_one_that_an_index_does_not_know(self, patient: Patient, index: str) -> None:
        grower = enqueue(Grower(group=NORTH, trouble="asked for help"), ["Habari."], "reply")
        patient.store.commit(NUMBER, NEW, grower, due=NOW)
        assert levels(checking_work.records, patient) == ["ok"]
        shard = keys.shard_of(NUMBER)
        of_index = {
            "members": keys.members_key(shard, NORTH),
            "calls": keys.calls_key(shard),
            "due": keys.due_key(shard),
        }
        patient.redis.zrem(of_index[index], NUMBER)
        (ill,) = found(checking_work.records, patient)
        assert ill.level == "wrong"
        assert NUMBER not in ill.found


class TestSenders:
    def due(self, patient: Patient, seconds: float) -> None:
        patient.store.commit(NUMBER, NEW, Grower(), due=NOW - seconds)

    def test_one_at_work_is_well(self, patient: Patient) -> None:
        Beats(patient.redis, patient.clock).beat("a:1", {})
        assert levels(checking_work.senders, patient) == ["ok", "ok"]

    def test_none_at_work(self, patient: Patient) -> None:
        assert levels(checking_work.senders, patient)[0] == "warning"
        self.due(patient, 1)
        assert levels(checking_work.senders, patient)[0] == "wrong"

    def test_one_that_died(self, patient: Patient) -> None:
        Beats(patient.redis, lambda: NOW - SILENT_S - 100).beat("a:1", {})
        Beats(patient.redis, patient.clock).beat("b:1", {})
        findings = found(checking_work.senders, patient)
        assert [each.level for each in findings] == ["ok", "warning", "ok"]
        assert "a:1" in findings[1].found
        assert "2 minutes" in findings[1].found

    @pytest.mark.parametrize(("late", "level"), [(60, "ok"), (300, "warning"), (3600, "wrong")])
    def test_growers_who_wait(self, patient: Patient, late: float, level: str) -> None:
        Beats(patient.redis, patient.clock).beat("a:1", {})
        self.due(patient, late)
        assert levels(checking_work.senders, patient) == ["ok", level]


class TestSpending:
    @pytest.mark.parametrize(
        ("segments", "level"), [(0, "ok"), (79, "ok"), (80, "warning"), (100, "warning")]
    )
    def test_what_is_left_of_the_ceiling(self, patient: Patient, segments: int, level: str) -> None:
        assert levels(checking_work.spending, patient) == []  # there is none
        patient.settings = replace(WELL_SET, segment_price=10, spend_ceiling=1000)
        line = Line(int(NOW), "sent", "reply", "x", segments=segments, language="sw")
        patient.store.commit_many([Commit(NUMBER, NEW, Grower(), None, lines=[line])])
        (told,) = found(checking_work.spending, patient)
        assert told.level == level
        assert f"{segments}%" in told.found


class TestRounds:
    def round(self, patient: Patient, **changes: Any) -> None:  # noqa: ANN401 - fields of a Round
        Groups(patient.redis).named(NORTH)
        one = Round("r1", "Meeting", "x", 1, (NORTH,), texts={"sw": "Habari."}, state="running")
        Rounds(patient.redis).shelf.add("r1", replace(one, **changes))

    def test_one_under_way_with_a_sender_is_well(self, patient: Patient) -> None:
        self.round(patient)
        Beats(patient.redis, patient.clock).beat("a:1", {})
        assert levels(checking_work.rounds, patient) == ["ok"]

    @pytest.mark.parametrize("change", [{}, {"state": "counting"}, {"groups": ("Nowhere",)}])
    def test_one_that_does_not_get_on(self, patient: Patient, change: dict[str, Any]) -> None:
        self.round(patient, **change)
        assert levels(checking_work.rounds, patient) == ["wrong", "ok"]

    def test_one_that_is_paused_half_way(self, patient: Patient) -> None:
        self.round(patient, state="paused")
        assert levels(checking_work.rounds, patient) == ["ok"]
        counted = {"chosen": 9}
        Rounds(patient.redis).advance("r1", "count", NORTH, ((0, ""), (64, "")), counted)
        assert levels(checking_work.rounds, patient) == ["warning", "ok"]
        Rounds(patient.redis).change_state("r1", ("paused",), "paused", "ceiling")
        assert "by the month's ceiling" in found(checking_work.rounds, patient)[0].found


class TestDesk:
    def test_one_without_an_admin(self, patient: Patient) -> None:
        assert levels(checking_work.desk, patient) == []
        patient.settings = replace(WELL_SET, desk_pages=True)
        assert levels(checking_work.desk, patient) == ["wrong"]
        People(patient.redis).add("amina", "admin")
        assert levels(checking_work.desk, patient) == ["ok"]


def test_a_restore_that_stopped_half_way(patient: Patient) -> None:
    assert levels(checking_work.restoring, patient) == []
    patient.redis.set(keys.restoring_key(), "1")
    assert levels(checking_work.restoring, patient) == ["wrong"]


def test_backups_that_are_old_or_were_never_taken(patient: Patient, tmp_path: Path) -> None:
    assert levels(checking_work.backed_up, patient) == ["warning"]
    backup(patient.redis, tmp_path / "a", [], patient.clock)
    assert levels(checking_work.backed_up, patient) == ["ok"]
    patient.clock = lambda: NOW + 3 * 24 * 3600
    (old,) = found(checking_work.backed_up, patient)
    assert (old.level, "3 days" in old.found) == ("warning", True)


@pytest.mark.usefixtures("unproved")
def test_without_redis_that_is_said_once() -> None:
    findings = list(examined(WELL_SET, connect("redis://127.0.0.1:1"), {}))
    assert [each.part for each in findings if each.part in {"redis", "store"}] == ["redis"]
    assert findings[-1].level == "wrong"
    assert findings[-1].mend


@pytest.mark.usefixtures("unproved")
def test_a_damaged_shelf_and_a_redis_that_may_not_be_asked_do_not_end_it(
    redis_client: redis.Redis,
) -> None:
    redis_client.hset(keys.groups_key(), NORTH, b"\xff")
    redis_client.execute_command(
        "ACL", "SETUSER", "limited", "on", ">pass", "~*", "&*", "+@all", "-info", "-config"
    )
    socket_path = redis_client.connection_pool.connection_kwargs["path"]
    try:
        with connect(f"unix://limited:pass@{socket_path}") as limited:
            findings = list(examined(WELL_SET, limited, {}))
    finally:
        redis_client.execute_command("ACL", "DELUSER", "limited")
    assert [each for each in findings if each.level == "wrong" and "group" in each.found]
    assert [each for each in findings if each.level == "warning" and "INFO" in each.mend]
    assert [each for each in findings if each.part == "senders"]
