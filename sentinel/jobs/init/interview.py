"""The questions, in their order: options answer first, then pictures, then whoever sits at the terminal."""

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any, Protocol

from sentinel.core.errors import RequestProblem
from sentinel.jobs.init.answers import (
    NEEDED,
    OPTIONS,
    ORDER,
    QUESTIONS,
    Answers,
    answer,
    channel_answer,
    default_of,
    folder_answer,
    sleep_answer,
)
from sentinel.jobs.init.pictures import lens_of, place_of, read_samples
from sentinel.service.watch.computer import system_zone

NOTHING = "-"


class Terminal(Protocol):
    """Whoever may be asked."""

    def ask(self, question: str, default: Any) -> str:
        """Return a reply, or the default."""
        ...

    def confirm(self, question: str) -> bool:
        """Return whether it may be; no, unless said otherwise."""
        ...

    def say(self, line: str) -> None:
        """Tell something."""
        ...


class Interview:
    """Gathers the answers.

    `given`: what the options say, by the setting's path; `sleep` and `channel` are texts of their own.
    `terminal`: tells, and asks where `asks` allows it.
    `name`: what the camera is called if nobody says.
    """

    def __init__(
        self,
        given: Mapping[str, str | None],
        terminal: Terminal,
        *,
        asks: bool,
        name: str = "camera",
    ) -> None:
        self._name = name
        self._given, self._terminal, self._asks = given, terminal, asks
        self._told: Answers = {}

    def answers(
        self, pictures: Sequence[Path], sensor_width_mm: float | None, *, place_of_pictures: bool
    ) -> Answers:
        """Return the answers to all questions, in the order in which they are written.

        Raises `RequestProblem` if an option is wrong, or something is not known that nobody can guess.
        """
        for key, text in self._given.items():
            if text is not None and key in OPTIONS:
                self._told |= self._setting(key, text)
        if sensor_width_mm is not None and not 1 <= sensor_width_mm <= 1000:
            raise RequestProblem(
                f"no sensor's width: {sensor_width_mm:g}", where="--sensor-width-mm", mend="give it like 35.9"
            )
        samples = read_samples(pictures)
        self._told, said = lens_of(samples, self._told, sensor_width_mm)
        for line in said:
            self._terminal.say(line)
        self._place(place_of(samples), wanted=place_of_pictures)
        for key, question in QUESTIONS.items():
            default = self._name if key == "camera.name" else default_of(key)
            if key not in self._told:
                self._put(question, default, partial(self._setting, key))
            if key not in self._told and default is not None:
                self._told[key] = default
        self._refuse_unknown()
        self._people()
        return {key: self._told[key] for key in ORDER if key in self._told}

    def _people(self) -> None:
        if "alerts.zone" not in self._told:
            question = f"Your time zone, like Europe/Oslo; {NOTHING} for UTC alone"
            self._put(question, system_zone() or NOTHING, partial(self._setting, "alerts.zone"))
        zone = self._told.get("alerts.zone")
        question = (
            f"When do you sleep, by the clock of {zone or 'UTC'}, like 22:30-06:00; {NOTHING} for never"
        )
        self._put(question, NOTHING, lambda reply: sleep_answer(reply, zone), self._given["sleep"])
        question = (
            f"How are you told, like phone=env:PHONE_URL, siren=command:/path/siren 20; {NOTHING} for later"
        )
        self._put(
            question, NOTHING, lambda reply: {"channels": [channel_answer(reply)]}, self._given["channel"]
        )

    def _setting(self, key: str, text: str) -> Answers:
        return {key: answer(key, folder_answer(text) if key == "frames.folder" else text)}

    def _put(
        self, question: str, default: Any, read: Callable[[str], Answers], given: str | None = None
    ) -> None:
        """Take what an option says, or ask until the reply can be taken."""
        if given is not None:
            self._told |= read(given)
        while given is None and self._asks:
            reply = self._terminal.ask(question, default)
            if reply == NOTHING:
                return
            try:
                self._told |= read(reply)
            except RequestProblem as problem:
                self._terminal.say(str(problem))
            else:
                return

    def _place(self, place: tuple[float, float] | None, *, wanted: bool) -> None:
        """Take the pictures' place, if there is one and it may be stored."""
        if place is None or "site.latitude_deg" in self._told:
            return
        latitude, longitude = place
        if not wanted and self._asks:
            wanted = self._terminal.confirm(
                f"The pictures were taken at {latitude}, {longitude}. Store that?"
            )
        if wanted:
            self._told |= {"site.latitude_deg": latitude, "site.longitude_deg": longitude}
        elif not self._asks:
            self._terminal.say(
                "The pictures say where they were taken; that is stored with --place-of-pictures only."
            )

    def _refuse_unknown(self) -> None:
        lacking = [key for key in NEEDED if key not in self._told]
        if lacking:
            options = ", ".join(OPTIONS[key] for key in lacking)
            raise RequestProblem(f"not known: {', '.join(lacking)}", where="init", mend=f"give {options}")
