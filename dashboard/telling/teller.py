"""One round of telling: what is new, for whom, whether it is time, and what became of it."""

from __future__ import annotations

import logging
import random
from collections import defaultdict
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from threading import Event
from typing import Final

from dashboard.telling.described import Telling
from dashboard.telling.digest import Digest, digest
from dashboard.telling.failure import NotTold, Refused, Unanswered
from dashboard.telling.mailing import Mailer, message
from dashboard.telling.posting import post
from dashboard.telling.wants import E_MAIL, NONE, WEBHOOK, Wants, is_due, of_concern, wants_of
from ingest.collect import Backoff
from monitor.errors import PledgewattError
from monitor.store import told
from monitor.store.connection import Store
from monitor.store.findings import load_findings
from monitor.store.sites import list_sites
from monitor.store.told import Mailed, News
from monitor.store.users import User, account, list_users

log = logging.getLogger(__name__)

#: Waits after a failure, and after one that a person has to put right. Common practice, no source.
PASSING: Final = Backoff(first=timedelta(minutes=5), most=timedelta(hours=1))
LASTING: Final = Backoff(first=timedelta(hours=1), most=timedelta(days=1))


@dataclass(frozen=True)
class Outcome:
    """What became of one message.

    Attributes
    ----------
    problem
        Why it was not accepted; None where it was.
    """

    email: str
    way: str
    opened: int
    cleared: int
    problem: str | None = None


@dataclass(frozen=True)
class Letter:
    """A message that is to be sent.

    Attributes
    ----------
    failures
        Tries to tell this person that failed in a row.
    again
        Whether it was sent before and may have arrived: then it is sent as it was.
    """

    digest: Digest
    wants: Wants
    failures: int
    again: bool


class Teller:
    """Tells people of findings, each once.

    What a person was told is recorded once a server has accepted the message, and the try
    before it is sent: a store that cannot be written to sends nothing, and a message whose
    answer was lost is sent again as it was, with the same mark, before anything else is.
    """

    def __init__(
        self,
        store: Store,
        telling: Telling,
        *,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        chance: Callable[[], float] = random.random,
    ) -> None:
        self._store, self._telling = store, telling
        self._clock, self._chance = clock, chance
        #: Once set, telling ends after the message in hand.
        self.stopping = Event()

    def letters(self, *, only: str | None = None, due: bool = False) -> list[Letter]:
        """What each person would be sent now; those of whom there is nothing new left out.

        Parameters
        ----------
        only
            E-mail of one person.
        due
            True for those alone for whom it is time.

        Raises
        ------
        NotFoundError
            Nobody has that e-mail.
        """
        return self._letters(self._people(only), due=due)

    def _letters(self, people: list[tuple[User, Wants]], *, due: bool) -> list[Letter]:
        store, now = self._store, self._clock()
        news: dict[int, list[News]] = defaultdict(list)
        for one in told.news(store, _sees([user for user, _ in people])):
            news[one.user_id].append(one)
        mailed = told.mailed(store)
        found = []
        for user, wants in people:
            own = of_concern(user, wants, news[user.user_id])
            record = mailed.get(user.user_id, Mailed())
            doubt = [one for one in record.in_doubt if user.may_see(one.site_id)]
            if not doubt and not own:
                continue
            if not due or is_due(doubt + own, wants, record, self._telling, now):
                found.append((user, wants, record, doubt, own))
        if not found:
            return []
        numbers = {one.number for *_, doubt, own in found for one in doubt + own}
        findings = told.findings_of(store, numbers)
        # A household reads plain sentences, which need no description of its home.
        fleet = any(user.role != "homeowner" for user, *_ in found)
        sites = {site.id: site for site in list_sites(store)} if fleet else {}
        made = []
        for user, wants, record, doubt, own in found:
            still = load_findings(store, user.sites[0]) if user.role == "homeowner" else []
            untold = {one.number for one in news[user.user_id]}
            for again, what in ((True, doubt), (False, own)):
                said = digest(user, self._telling, what, findings, sites, still, untold)
                if not said.is_empty:
                    made.append(Letter(said, wants, record.failures, again=again))
                    break
        return made

    def tell(self, *, only: str | None = None, due: bool = True) -> list[Outcome]:
        """Tell everybody what is new; one who cannot be told stops no other.

        Parameters
        ----------
        only
            E-mail of one person.
        due
            False to tell at once, whatever the time and whatever failed before.
        """
        people = self._people(only)
        told.begin(self._store, [user.user_id for user, _ in people], self._clock())
        outcomes = []
        mail = self._telling.mail
        with Mailer(mail) if mail is not None else nullcontext() as mailer:
            waiting = self._letters(people, due=due)
            while waiting and not self.stopping.is_set():
                letter = waiting.pop(0)
                outcomes.append(self._told(letter, mailer))
                if letter.again and outcomes[-1].problem is None:
                    # What was in doubt has arrived; what is new since has its turn.
                    waiting += self._letters([(letter.digest.user, letter.wants)], due=due)
        return outcomes

    def round(self) -> None:
        """Tell those for whom it is time, and leave in the log what became of it."""
        for outcome in self.tell():
            if outcome.problem is None:
                log.info("A message went out by %s", outcome.way)
            else:
                log.warning("A person could not be told by %s: %s", outcome.way, outcome.problem)

    def _people(self, only: str | None) -> list[tuple[User, Wants]]:
        users = list_users(self._store) if only is None else [account(self._store, only)]
        wishes = told.wishes(self._store)
        people = [(user, wants_of(user, wishes.get(user.user_id), self._telling)) for user in users]
        return [(u, wants) for u, wants in people if wants.way != NONE and not u.locked]

    def _told(self, letter: Letter, mailer: Mailer | None) -> Outcome:
        one, store, now = letter.digest, self._store, self._clock()
        outcome = Outcome(one.user.email, letter.wants.way, len(one.opened), len(one.cleared))
        failures, number, backoff = letter.failures + 1, None, PASSING
        in_doubt = letter.again
        try:
            number = told.start_telling(
                store,
                one.user.user_id,
                one.news,
                delivery=one.delivery,
                way=letter.wants.way,
                now=now,
                retry_at=now + PASSING.wait(failures, self._chance()),
            )
            self._send(one, letter.wants, mailer, now)
            told.accept_telling(store, number, one.news, self._clock())
        except PledgewattError as error:
            problem = error.user_message
            in_doubt = in_doubt or isinstance(error, Unanswered)
            backoff = LASTING if isinstance(error, Refused) else PASSING
        except Exception as error:
            log.exception("Person %d could not be told", one.user.user_id)
            problem, in_doubt = f"This is a fault of pledgewatt: {error}.", True
        else:
            return outcome
        if number is not None:
            retry_at = now + backoff.wait(failures, self._chance())
            told.fail_telling(store, number, problem, retry_at, in_doubt=in_doubt)
        return replace(outcome, problem=problem)

    def _send(self, one: Digest, wants: Wants, mailer: Mailer | None, now: datetime) -> None:
        mail = self._telling.mail
        if wants.way == E_MAIL:
            if mail is None or mailer is None:
                sentence = "No [mail] server is described, so nobody can be told by e-mail."
                raise NotTold(sentence)
            mailer.send(message(one, mail, now), one.user.email)
            return
        name = wants.way.removeprefix(WEBHOOK)
        hook = self._telling.hook(name)
        if hook is None:
            sentence = f"No [[webhook]] of the name '{name}' is described."
            raise NotTold(sentence)
        post(one, hook, now, self.stopping)


def _sees(users: list[User]) -> list[tuple[int, str | None]]:
    """Number of each person and the site that they may see; None for all."""
    seen: list[tuple[int, str | None]] = []
    for user in users:
        sites = (None,) if user.everywhere else user.sites
        seen += [(user.user_id, site) for site in sites]
    return seen
