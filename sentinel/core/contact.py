"""Settings of what passes between program and people: sleep, messages and their channels, the page."""

from ipaddress import ip_address
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, Field, model_validator

from sentinel.core.section import Address, SecretPlace, Section, ShortName, TimeOfDay, setting
from sentinel.core.times import daily_span_s, known_zone, local_span_s


class Sleep(Section):
    """When the operator sleeps; null: nothing is said beforehand."""

    from_utc: TimeOfDay | None = setting(None, 'when the operator goes to sleep, like "21:30"')
    until_utc: TimeOfDay | None = setting(None, 'and gets up, like "05:00"; both or none')
    from_local: TimeOfDay | None = setting(
        None, "when the operator goes to sleep, by the clock of zone; instead of from_utc"
    )
    until_local: TimeOfDay | None = setting(None, "and gets up, by the same clock; both or none")
    zone: Annotated[str, AfterValidator(known_zone)] | None = setting(
        None, "by whose clock from_local and until_local are; like Europe/Oslo; null: by that of alerts.zone"
    )
    before_min: float = setting(60.0, "what must be done is said so long before", ge=0)
    after_min: float = setting(60.0, "and covers so long after waking", ge=0)

    @model_validator(mode="after")
    def _both(self) -> "Sleep":
        if (self.from_utc is None) != (self.until_utc is None):
            raise ValueError("needs both from_utc and until_utc")
        local = (self.from_local is not None, self.until_local is not None, self.zone is not None)
        if any(local) != all(local):
            raise ValueError("needs from_local, until_local and zone (or alerts.zone) together")
        if all(local) and self.from_utc is not None:
            raise ValueError("has hours both in UTC and by the clock of a zone: take one pair out")
        return self

    @property
    def is_told(self) -> bool:
        """Whether the operator said when."""
        return self.from_utc is not None or self.from_local is not None

    def night_s(self, now_s: float) -> tuple[float, float] | None:
        """Return start and end of the sleep that is on, or else of the next; None: none is configured."""
        if self.from_local is not None and self.until_local is not None and self.zone is not None:
            return local_span_s(self.from_local, self.until_local, ZoneInfo(self.zone), now_s)
        if self.from_utc is None or self.until_utc is None:
            return None
        return daily_span_s(self.from_utc, self.until_utc, now_s)


class Alerts(Section):
    """Which incidents become messages, and how often."""

    repeat_min: Annotated[tuple[float, ...], Field(strict=False)] = setting(
        (5.0, 15.0, 30.0),
        "so long after the first a `now` is repeated until seen or over; then ever more rarely",
    )
    zone: Annotated[str, AfterValidator(known_zone)] | None = setting(
        None,
        "the operator's time zone, told before UTC; like Europe/Oslo; null: that of the "
        "computer that watches, or UTC alone",
    )
    hourly_cap: int = setting(
        20, "messages an hour beyond which only a `now` of a new condition is sent", ge=1
    )
    clear_messages: bool = setting(True, "say when something is over")
    digest_utc: Annotated[tuple[TimeOfDay, ...], Field(strict=False)] = setting(
        (), 'times of day, like ["06:00", "18:00"], at which a message tells how all stands'
    )


class Quiet(Section):
    """Hours in which a channel keeps all but `now` back until their end."""

    from_utc: TimeOfDay = setting(..., "when they begin", like="20:00")
    until_utc: TimeOfDay = setting(..., "when they end", like="05:00")


class Channel(Section):
    """One way to reach one person: a service over the network, or a command on this computer."""

    name: ShortName = setting(..., "what journal and page call it: letters, digits, - and _", like="phone")
    url_from: SecretPlace | None = setting(
        None,
        "where the service's address with its secrets stands, never the address itself: "
        "env:NAME, credential:NAME (in the service's credentials folder) or file:PATH (mode 0600); the "
        "address is one that apprise understands, with one recipient",
        like="env:PHONE_URL",
    )
    command: Annotated[tuple[str, ...], Field(strict=False, min_length=1)] | None = setting(
        None,
        "instead of url_from: a program and its arguments, run without a shell, before all "
        'others, like [/usr/local/bin/siren, "20"]; the text comes on standard input, and wherever an '
        "argument is exactly {title} or {text}",
    )
    severities: Annotated[
        tuple[Literal["now", "soon", "note"], ...], Field(strict=False, min_length=1)
    ] = setting(("now", "soon", "note"), "which it wants")  # fmt: skip
    called: Literal["first", "second"] = setting(
        "first", "second: only for a `now` that nobody has seen after all repeats"
    )
    quiet: Quiet | None = setting(
        None,
        "hours in which all but `now` waits until their end; null: none",
        like={"from_utc": "20:00", "until_utc": "05:00"},
    )
    text: Literal["long", "short"] = setting("long", "short: at most 160 characters of plain ASCII")
    picture: bool = setting(
        True, "a small picture after the text, where that is long and the service takes one"
    )
    slow: bool = setting(
        False, "a satellite link: pictures of at most 10 kB instead of 40, and more patience"
    )
    deadline_s: float | None = setting(
        None, "how long one attempt may take; null: 45, 240 where slow", ge=1, le=3600
    )

    @model_validator(mode="after")
    def _one_way(self) -> "Channel":
        if (self.url_from is None) == (self.command is None):
            raise ValueError("needs either url_from or command")
        return self

    @property
    def patience_s(self) -> float:
        """How long one attempt may take."""
        return self.deadline_s or (240.0 if self.slow else 45.0)

    @property
    def wants_pictures(self) -> bool:
        """Whether a picture goes after the text."""
        return self.picture and self.text == "long" and self.command is None


class Delivery(Section):
    """How long the program goes on trying to get a message through."""

    expire_h: float = setting(
        24.0, "a message that could not be delivered for so long is given up", gt=0, le=24 * 14
    )
    late_min: float = setting(3.0, "a message that comes later than this says when it was true", gt=0)


class Heartbeat(Section):
    """A ping to something elsewhere that notices when it stops coming."""

    url_from: SecretPlace | None = setting(
        None, "env:NAME, credential:NAME or file:PATH: an address to ping while all is at work"
    )
    every_min: float = setting(5.0, "between two pings", gt=0, le=1440)


class Page(Section):
    """The status page on the local network, with buttons for the marks (extra `page`)."""

    listen: Address | None = setting(None, 'address and port, like "127.0.0.1:8712"; null: not served')
    beyond_loopback: bool = setting(False, "whether an address that other computers can reach is meant")
    token_from: SecretPlace | None = setting(
        None, "what each button needs: env:NAME, credential:NAME or file:PATH"
    )

    @model_validator(mode="after")
    def _guarded(self) -> "Page":
        if self.listen is None:
            return self
        if self.token_from is None:
            raise ValueError("needs token_from: whoever knows the token may press the buttons")
        host, _, port = self.listen.rpartition(":")
        if int(port) > 65_535:
            raise ValueError("listen names a port that there is not: 65535 is the last")
        if not self.beyond_loopback and not _is_loopback(host.strip("[]")):
            raise ValueError("listen can be reached from elsewhere: if that is meant, beyond_loopback: true")
        return self


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
