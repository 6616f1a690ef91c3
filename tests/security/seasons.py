"""All that Fieldbell does with its store and its gateways, once, as an operator's day has it."""

from __future__ import annotations

import io
import json
import re
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from argon2 import PasswordHasher

from bot import data
from bot.enrolment.files import open_sheet
from bot.enrolment.importing import take_in
from bot.enrolment.rows import read_rows
from bot.gateways.base import Deferred, Refused
from bot.gateways.loopback import LoopbackGateway
from bot.receiving import Receiver
from bot.reminders.sender import Sender
from bot.reminders.spreading import Permission, Spreader
from bot.settings import Settings
from bot.store import keys
from bot.store.forgetting import forget
from bot.store.groups import Groups
from bot.store.growers import Store
from bot.store.people import SCOPES, People
from bot.store.rounds import Rounds
from bot.web import create_app

if TYPE_CHECKING:
    import redis
    from werkzeug.test import TestResponse

NINE = datetime(2026, 3, 2, 6, 0, tzinfo=UTC).timestamp()  # 09:00 in Dar es Salaam, a Monday
GROUP = "Mirindi North"
ASHA, BARAKA = "+255698765432", "+255698765433"
"""Numbers of which no part stands anywhere else."""
SEASON = (
    "hello 1|1 acre|yes|none|grass|30|yes|no|yes|150000|0|60000|30000|no|no|no|no|no|no|1|today"
)
FILE = f"Phone,Name\n{ASHA},Asha\n{BARAKA},Baraka\n{BARAKA}0000,Nobody\n"
QUICK = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
PASSWORD = "a long enough one"  # noqa: S105


@dataclass
class Day:
    """One day with a store: what was done answers here, for a test to look at."""

    client: redis.Redis
    now: float = NINE
    statuses: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.settings = Settings(
            desk_pages=True,
            api=True,
            try_pages=True,
            secret="of these tests only",  # noqa: S106
        )
        self.store = Store(self.client, self.clock)
        self.app = create_app(self.settings, self.store, self.clock)
        # The app's own, but quick; what a password's hash costs is no matter here.
        self.people: People = self.app.extensions["desk"].people
        self.people._hasher = QUICK  # noqa: SLF001
        self.exchange = self.app.extensions["exchange"]
        self.gateway = LoopbackGateway(self.clock)
        self.visitor = self.app.test_client()

    def clock(self) -> float:
        return self.now

    def live(self) -> None:
        """Do everything once."""
        self.enrol()
        self.write()
        self.send()
        self.visit()
        self.call()
        self.spread()
        self.damage()
        self.erase()

    def did(self, what: str, answer: TestResponse) -> TestResponse:
        self.statuses[what] = answer.status_code
        return answer

    # The parts of the day

    def enrol(self) -> None:
        """Take in a file of growers."""
        groups = Groups(self.client)
        with open_sheet(io.BytesIO(FILE.encode())) as sheet:
            rows = read_rows(sheet, "TZ", data.languages())
            group = groups.named(GROUP)
            take_in(rows, group, self.store, self.settings, self.now, asks_consent=False)

    def write(self) -> None:
        """Texts come, again, and what is no text; a USSD session; reports; and by another gateway."""
        for place, text in enumerate(SEASON.split("|")):
            sent = {"from": ASHA, "text": text, "id": str(place)}
            self.did(f"text {place}", self.visitor.post("/hooks/sms", json=sent))
            self.visitor.post("/hooks/sms", json=sent)
        self.did("no number", self.visitor.post("/hooks/sms", json={"from": "", "text": "x"}))
        step = {"from": BARAKA, "session": "s", "text": ""}
        self.did("step", self.visitor.post("/hooks/ussd", json=step))
        for state in ("failed", "unreachable", "delivered"):
            report = {"id": f"{BARAKA}:1", "state": state, "reason": f"no route to {BARAKA}"}
            self.did(state, self.visitor.post("/hooks/receipt", json=report))
        receiver = Receiver(self.exchange)
        receiver.text(BARAKA, "hello", "m1")
        receiver.step("s2", BARAKA, "")
        receiver.text(f"{BARAKA}99999999999", "hello", None)

    def send(self) -> None:
        """Reminders fall due; one is put off, one is refused."""
        self.gateway.failures += [Deferred("busy"), Refused("not allowed")]
        self.now += timedelta(days=40).total_seconds()
        self.tick()

    def tick(self) -> None:
        """Let a sender work for some hours."""
        sender = Sender(
            self.store,
            self.gateway,
            self.exchange.compose,
            self.settings,
            self.clock,
            Permission(Rounds(self.client), self.clock),
        )
        for _ in range(5):
            sender.tick()
            self.now += 3600
        sender.close()

    def visit(self) -> None:
        """Sign in to the desk, by way of a wrong password, and look at every page."""
        secret = self.people.add("amina", "admin")
        assert isinstance(secret, str)
        self.people.set_password("amina", PASSWORD)
        for password in ("wrong", PASSWORD):
            page = self.visitor.get("/desk/sign-in").get_data(as_text=True)
            token = re.findall('name="csrf_token" value="([^"]+)"', page)[0]
            form = {"csrf_token": token, "name": "amina", "password": password}
            self.did(f"sign in {password}", self.visitor.post("/desk/sign-in", data=form))
        pages = ["today", "groups", "rounds", "deliveries", "season", "people", "trail"]
        for page in (*pages, f"growers/{ASHA}", f"growers/{BARAKA}", "growers/+255600000000"):
            self.did(f"desk {page}", self.visitor.get(f"/desk/{page}"))

    def call(self) -> None:
        """Use the API: a grower, a round that is started, the groups."""
        token = self.people.add_token("office", SCOPES)
        head = {"Authorization": f"Bearer {token}"}

        def ask(method: str, path: str, body: Any = None) -> TestResponse:  # noqa: ANN401 - JSON
            answer = self.visitor.open(f"/api{path}", method=method, headers=head, json=body)
            return self.did(f"{method} {re.sub('/rounds/[^/]+', '/rounds/ID', path)}", answer)

        ask("GET", f"/growers/{ASHA}")
        ask("PATCH", f"/growers/{ASHA}", {"village": "Kasele"})
        ask("GET", "/growers/+255698765439")
        made = ask("POST", "/rounds", {"name": "A", "groups": [GROUP], "texts": {"en": "Rain."}})
        ask("POST", f"/rounds/{json.loads(made.data)['id']}/start", {})
        ask("GET", "/groups")

    def spread(self) -> None:
        """Count and spread the round, and send what it brings."""
        rounds, exchange = Rounds(self.client), self.exchange
        spreader = Spreader(
            self.store,
            Groups(self.client),
            rounds,
            exchange.dialogue,
            self.settings,
            self.clock,
        )
        self.now = NINE + timedelta(days=45).total_seconds()
        for _ in range(300):
            if not spreader.tick():
                break
            self.now += 1
        spreader.release()
        self.tick()

    def damage(self) -> None:
        """Leave a record that nobody can read, and come upon it everywhere."""
        self.client.set(keys.grower_key("+255698765431"), b"\0" * 7 + b"\1junk")
        sent = {"from": "+255698765431", "text": "hello"}
        self.did("damaged", self.visitor.post("/hooks/sms", json=sent))
        self.store.recount()
        self.spread()

    def erase(self) -> None:
        """Forget who asks for it."""
        for number in (ASHA, "+255698765431"):
            forget(self.store, number)
        self.store.recount()
