"""Trying spellings on an instrument, and judging what it says to each."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import TypeVar

from drivers.asking.findings import Capability, Evidence
from drivers.asking.refusals import Refusal, refusal_of
from drivers.errors import AnswerLate, InstrumentError, NotANumber, Overload, ReplyError
from drivers.session import Session

T = TypeVar("T")

_REMOTES = ("SYST:REM", "SYST:COMM:RLST REM")
"""Puts an instrument under remote control that takes no setting before (common practice, of serial lines above all)."""


@dataclass(frozen=True, slots=True)
class Spelling:
    """A way to say a setting.

    :param template: with the setting's own name in braces, or none at all.
    :param query: asks for what was set; empty when there is no such question.
    """

    template: str
    query: str = ""


@dataclass(frozen=True, slots=True)
class Setting:
    """A value to try, as it is sent and as it is to come back.

    :param same: whether an answer means this value.
    :raises ReplyError: from ``same``, when an answer has another form.
    """

    text: str
    same: Callable[[str], bool]


@dataclass(slots=True)
class Trial:
    """What came of trying the spellings of one capability."""

    name: str
    spelling: Spelling | None = None
    evidence: Evidence = Evidence.NONE
    said: str = ""
    refusals: list[Refusal] = field(default_factory=list)
    unmoved: bool = False
    """Whether a setting was sent, and came back as something else."""

    @property
    def template(self) -> str:
        """The template that is taken; empty when none is."""
        return self.spelling.template if self.spelling is not None else ""

    @property
    def query(self) -> str:
        """The query that belongs to it; empty when it was not answered."""
        return self.spelling.query if self.spelling is not None and self.evidence is Evidence.READ_BACK else ""

    def filled(self, **values: str) -> str:
        """Return the template with values of the wanted spelling in it."""
        return self.template.format(**values)

    def capability(self) -> Capability:
        """Return it for the report."""
        return Capability(self.name, self.template, self.evidence, "" if self.spelling else self.said)


class Asker:
    """Tries spellings in one session.

    :param session: open, in a dialect in which wrong spellings do no harm.
    """

    def __init__(self, session: Session) -> None:
        self.session = session
        self._asked_for_remote = False

    def find_setting(
        self, name: str, argument: str, spellings: Iterable[Spelling], settings: Iterable[Setting]
    ) -> Trial:
        """Find the first spelling that the instrument takes.

        :param argument: the name in braces in the templates.
        :param settings: values to try, in order. An instrument that reports errors has to take one of them, without
            an error and, where it can be asked, as it was meant; one that does not has to give two different ones
            back (or the one, when only one is given).
        :raises LinkLost: the link is gone.
        """
        ways, values = tuple(spellings), tuple(settings)
        trial = self._found_setting(name, argument, ways, values)
        if trial.spelling is None and trial.unmoved and (remote := self._under_remote()):
            again = self._found_setting(name, argument, ways, values)
            if again.spelling is not None:
                self.session.remote_by(remote)
                return again
        return trial

    def _found_setting(
        self, name: str, argument: str, spellings: Iterable[Spelling], values: tuple[Setting, ...]
    ) -> Trial:
        trial = Trial(name)
        for spelling in spellings:
            evidence = (
                self._taken(trial, spelling, argument, values)
                if self.session.reports_errors
                else self._read_back(trial, spelling, argument, values)
            )
            if evidence is not Evidence.NONE:
                trial.spelling, trial.evidence = spelling, evidence
                return trial
        return trial

    def find_query(
        self, name: str, queries: Iterable[str], parse: Callable[[str], T], *, timeout_s: float | None = None
    ) -> Trial:
        """Find the first question that is answered with something that ``parse`` reads; SCPI's special numbers count.

        :raises LinkLost: the link is gone.
        """
        trial = Trial(name)
        for query in queries:
            if self._answered(trial, query, parse, timeout_s):
                trial.spelling, trial.evidence = Spelling(query), Evidence.ANSWERED
                return trial
        return trial

    def find_command(self, name: str, commands: Iterable[str]) -> Trial:
        """Find the first command that is taken, from an instrument that reports errors; from another, none.

        :raises LinkLost: the link is gone.
        """
        trial = Trial(name)
        for command in commands if self.session.reports_errors else ():
            if self.obeys(trial, command):
                trial.spelling, trial.evidence = Spelling(command), Evidence.ACCEPTED
                return trial
        return trial

    def value(self, query: str, parse: Callable[[str], T], *, timeout_s: float | None = None) -> T | None:
        """Ask; ``None`` when there is no answer, or one in another form.

        :raises LinkLost: the link is gone.
        """
        try:
            return self.session.value(query, parse, timeout_s=timeout_s)
        except (AnswerLate, InstrumentError, ReplyError):
            return None

    def obeys(self, trial: Trial, command: str) -> bool:
        """Send a command; whether nothing was said against it. What was said is noted in ``trial``.

        An instrument whose front panel has it is put under remote control first, where it lets itself be put.

        :raises LinkLost: the link is gone.
        """
        error = self._refused(command)
        if _is_local(error) and (remote := self._under_remote()):
            again = self._refused(command)
            if not _is_local(again):
                self.session.remote_by(remote)
                error = again
        if error is not None:
            _note(trial, error)
        return error is None

    def _refused(self, command: str) -> InstrumentError | AnswerLate | ReplyError | None:
        try:
            self.session.command(command)
        except (InstrumentError, AnswerLate, ReplyError) as error:
            return error
        return None

    def _under_remote(self) -> str:
        """Ask for remote control, once; the command that was taken, or not refused, for that."""
        tried, self._asked_for_remote = self._asked_for_remote, True
        return "" if tried else next((each for each in _REMOTES if self._refused(each) is None), "")

    def _taken(self, trial: Trial, spelling: Spelling, argument: str, values: tuple[Setting, ...]) -> Evidence:
        for value in values:
            if self.obeys(trial, spelling.template.format(**{argument: value.text})):
                return self._confirmed(trial, spelling, value)
            if trial.refusals and trial.refusals[-1] is not Refusal.VALUE:
                break
        return Evidence.NONE

    def _confirmed(self, trial: Trial, spelling: Spelling, value: Setting) -> Evidence:
        """Tell what it is worth that nothing was said against a setting."""
        if not spelling.query:
            return Evidence.ACCEPTED
        same = self.value(spelling.query, value.same)
        if same is None:
            return Evidence.ACCEPTED
        if not same:
            trial.unmoved = True
            trial.said = trial.said or f"{spelling.template} was taken without an error, and changed nothing"
            return Evidence.NONE
        return Evidence.READ_BACK

    def _read_back(self, trial: Trial, spelling: Spelling, argument: str, values: tuple[Setting, ...]) -> Evidence:
        """Tell whether a setting follows what is sent, where nothing else tells."""
        came_back = 0
        for value in values if spelling.query else ():
            if not self.obeys(trial, spelling.template.format(**{argument: value.text})):
                break
            same = self.value(spelling.query, value.same)
            if same is None:
                break
            trial.unmoved = trial.unmoved or not same
            came_back += same
        if came_back >= min(2, len(values)) > 0:
            return Evidence.READ_BACK
        trial.said = trial.said or f"{spelling.query or spelling.template} tells nothing about it"
        return Evidence.NONE

    def _answered(self, trial: Trial, query: str, parse: Callable[[str], T], timeout_s: float | None) -> bool:
        try:
            self.session.value(query, parse, timeout_s=timeout_s)
        except (NotANumber, Overload):
            return True
        except (InstrumentError, AnswerLate, ReplyError) as error:
            _note(trial, error)
            return False
        return True


def _is_local(error: Exception | None) -> bool:
    return isinstance(error, InstrumentError) and refusal_of(error.entries) is Refusal.LOCAL


def _note(trial: Trial, error: InstrumentError | AnswerLate | ReplyError) -> None:
    """Keep what was said against a trial, the first of it in words."""
    if isinstance(error, InstrumentError):
        trial.refusals.append(refusal_of(error.entries))
        trial.said = trial.said or str(error.entries[0])
    else:
        trial.said = trial.said or str(error)
