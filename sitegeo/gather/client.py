"""A polite client: time-outs, retries with back-off, pauses, limits, a cache, and no secrets told.

It keeps no clock of its own: time and sleep are given to it.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any, TypeVar
from urllib.parse import SplitResult, urlencode, urljoin, urlsplit

import httpx

from sitegeo._version import __version__
from sitegeo.errors import GatherError
from sitegeo.gather.cache import Answer, Cache

_Made = TypeVar("_Made")

MEGABYTE = 1_000_000
"""Bytes, as people count them."""

MAX_REDIRECTS = 5
"""Redirects followed for one request (judgement)."""

RETRY_STATUS = frozenset({408, 425, 429, 500, 502, 503, 504})
"""HTTP status codes of failures that may pass (RFC 9110, RFC 6585)."""

_CONTENT_RANGE = re.compile(r"bytes (\d+)-(\d+)/(\d+)")


@dataclass(frozen=True)
class Limits:
    """How long to wait and how much to take (judgement: polite, and enough for a lake).

    Parameters
    ----------
    connect_s, silence_s, request_s
        Longest wait for a connection, between two pieces of an answer, and for all of one.
    attempts
        Tries of one request, the first counted.
    backoff_s, longest_wait_s
        Pause before the second try, doubled before each that follows; a service that asks for a
        longer pause than the longest is given up.
    answer_bytes, total_bytes
        Largest answer, and most that one run fetches.
    """

    connect_s: float = 10.0
    silence_s: float = 60.0
    request_s: float = 300.0
    attempts: int = 4
    backoff_s: float = 1.0
    longest_wait_s: float = 60.0
    answer_bytes: int = 100 * MEGABYTE
    total_bytes: int = 2000 * MEGABYTE


@dataclass(frozen=True)
class Request:
    """One request, as the cache knows it: no token or key is part of it."""

    url: str
    body: bytes | None = None
    kind: str = "application/json"
    part: tuple[int, int] | None = None

    @property
    def key(self) -> str:
        """Name of the request in the cache."""
        digest = hashlib.sha256()
        for word in (self.url, str(self.part), "" if self.body is None else self.kind):
            digest.update(word.encode() + b"\0")
        digest.update(self.body or b"")
        return digest.hexdigest()

    @property
    def shown(self) -> str:
        """The address without its query and user, which may hold a key."""
        parts = _split(self.url)
        return f"{parts.scheme}://{parts.netloc.rpartition('@')[2]}{parts.path}"


class _TryAgainError(Exception):
    """A failure that may pass."""

    def __init__(self, why: str, wait_s: float | None = None) -> None:
        super().__init__(why)
        self.wait_s = wait_s


@dataclass
class Client:
    """One run's way to the web; `fetcher` gives each source its own manners.

    Parameters
    ----------
    cache
        Where good answers are kept.
    now, clock, sleep
        Wall clock with zone, a clock that only rises (s), and a way to wait (s).
    offline
        Answer from the cache alone, whatever its age.
    fresh
        Ask again for what the cache holds.
    limits
        How long to wait and how much to take.
    contact
        Whom a service may write to, told with each request.
    on_bytes
        Called with the count of bytes as they arrive.
    fetched_bytes, requests
        What this run has fetched so far.
    """

    cache: Cache
    now: Callable[[], datetime]
    clock: Callable[[], float]
    sleep: Callable[[float], None]
    offline: bool = False
    fresh: bool = False
    limits: Limits = field(default_factory=Limits)
    contact: str = ""
    on_bytes: Callable[[int], None] = lambda _count: None
    fetched_bytes: int = 0
    requests: int = 0

    def __post_init__(self) -> None:
        about = f"; {self.contact}" if self.contact else ""
        self._http = httpx.Client(
            headers={"User-Agent": f"sitegeo/{__version__} (open-source planner{about})"},
            timeout=httpx.Timeout(self.limits.silence_s, connect=self.limits.connect_s),
            follow_redirects=False,
        )
        self._free_at: dict[str, float] = {}

    def close(self) -> None:
        """Close its connections."""
        self._http.close()

    def fetcher(self, *, pause_s: float = 0.1, max_age_days: float = 30.0) -> Fetcher:
        """Return the client as one source uses it."""
        return Fetcher(self, pause_s, timedelta(days=max_age_days))

    def ask(self, request: Request, *, pause_s: float, most: int, secret: str = "") -> Answer:
        """Return a service's answer, trying again what may pass.

        Parameters
        ----------
        request
            What is asked.
        pause_s
            Least time between two requests to one server.
        most
            Largest answer taken, bytes.
        secret
            A query sent with the request, never kept and never told.

        Returns
        -------
        Answer
            Whole; of a part of a file, as much as there is.

        Raises
        ------
        GatherError
            If no usable answer comes in the tries allowed, or it is refused, too large, or not on
            the web.
        """
        host = _split(request.url).netloc
        for attempt in range(1, self.limits.attempts + 1):
            self.sleep(max(0.0, self._free_at.get(host, 0.0) - self.clock()))
            try:
                return self._once(request, most, secret)
            except (_TryAgainError, httpx.TransportError, httpx.DecodingError) as error:
                why = _words(error)
                wait = self.limits.backoff_s * 2 ** (attempt - 1)
                if isinstance(error, _TryAgainError) and error.wait_s is not None:
                    wait = max(wait, error.wait_s)
            finally:
                self._free_at[host] = self.clock() + pause_s
            if attempt == self.limits.attempts or wait > self.limits.longest_wait_s:
                raise GatherError(
                    f"no usable answer in {attempt} tries: {why}",
                    where=request.shown,
                    remedy="Try again later; what was fetched is kept",
                )
            self.sleep(wait)
        raise AssertionError

    def _once(self, request: Request, most: int, secret: str) -> Answer:
        url = request.url + (("&" if "?" in request.url else "?") + secret if secret else "")
        headers = {"Accept-Encoding": "identity"} if request.part else {}
        if request.part:
            headers["Range"] = f"bytes={request.part[0]}-{sum(request.part) - 1}"
        if request.body is not None:
            headers["Content-Type"] = request.kind
        method = "GET" if request.body is None else "POST"
        for _ in range(MAX_REDIRECTS):
            require_web_address(url, request.shown)
            self.requests += 1
            started = self.clock()
            try:
                asked = self._http.stream(method, url, content=request.body, headers=headers)
                with asked as response:
                    if not (response.is_redirect and "location" in response.headers):
                        return self._taken(response, request, most, started)
                    target = urljoin(url, response.headers["location"])
            except (httpx.InvalidURL, ValueError):
                raise GatherError("is not a web address", where=request.shown) from None
            if url.startswith("https:") and not target.startswith("https:"):
                raise GatherError(
                    "was sent on to an address that is not https, and not followed",
                    where=request.shown,
                    value=Request(target).shown,
                )
            url = target
        raise GatherError("is sent on from address to address", where=request.shown)

    def _taken(
        self, response: httpx.Response, request: Request, most: int, started: float
    ) -> Answer:
        _require_success(response, request)
        total, tag = None, response.headers.get("etag") or response.headers.get("last-modified", "")
        if request.part is not None:
            total, most = _part_of(response, request)
        said = response.headers.get("content-length", "")
        if said.isdecimal() and int(said) > most:
            raise _too_much(request, int(said), most)
        pieces, size = [], 0
        for piece in response.iter_bytes():
            size += len(piece)
            self._count(len(piece), request)
            if size > most:
                raise _too_much(request, size, most)
            if self.clock() - started > self.limits.request_s:
                raise _TryAgainError(f"it took more than {self.limits.request_s:g} s")
            pieces.append(piece)
        if request.part is not None and size != most:
            raise _TryAgainError("the answer is cut short")
        return Answer(b"".join(pieces), self.now(), total, tag)

    def _count(self, count: int, request: Request) -> None:
        self.fetched_bytes += count
        self.on_bytes(count)
        if self.fetched_bytes > self.limits.total_bytes:
            raise GatherError(
                f"this run has fetched {self.fetched_bytes / MEGABYTE:.0f} MB, its limit",
                where=request.shown,
                remedy="Ask for a smaller --radius or a coarser --finest",
            )


def _split(url: str) -> SplitResult:
    """Return the parts of an address, none of them for what is no address at all."""
    try:
        return urlsplit(url)
    except ValueError:
        return urlsplit("")


def require_web_address(url: str, shown: str) -> None:
    """Raise `GatherError` for any address that is not http or https."""
    parts = _split(url)
    if parts.scheme not in {"http", "https"} or not parts.hostname:
        raise GatherError(
            "only http and https addresses are fetched",
            where=shown,
            value=f"{parts.scheme}:…",
        )


def _require_success(response: httpx.Response, request: Request) -> None:
    status = response.status_code
    if status in RETRY_STATUS:
        wait = response.headers.get("retry-after", "")
        raise _TryAgainError(f"status {status}", float(wait) if wait.isdecimal() else None)
    if not 200 <= status < 300:
        known = {401: "a key is asked for", 403: "access is refused", 404: "not found"}
        raise GatherError(
            f"the service answered with status {status}"
            + (f", {known[status]}" if status in known else ""),
            where=request.shown,
        )


def _part_of(response: httpx.Response, request: Request) -> tuple[int, int]:
    """Return the size of the whole file and of the part, which is shorter at the end."""
    assert request.part is not None
    start, length = request.part
    match = _CONTENT_RANGE.fullmatch(response.headers.get("content-range", ""))
    if response.status_code != 206 or match is None:
        raise GatherError("the server does not give parts of a file", where=request.shown)
    first, last, total = (int(n) for n in match.groups())
    if first != start or last != min(start + length, total) - 1:
        raise GatherError("the server gave another part than asked for", where=request.shown)
    return total, last - first + 1


def _too_much(request: Request, size: int, most: int) -> GatherError:
    return GatherError(
        f"the answer is too large: {size / MEGABYTE:.1f} MB where at most "
        f"{most / MEGABYTE:.1f} MB is taken",
        where=request.shown,
    )


def _words(error: Exception) -> str:
    if isinstance(error, httpx.TimeoutException):
        return "it does not answer in time"
    if isinstance(error, httpx.RemoteProtocolError):
        return "the answer is cut short or garbled"
    if isinstance(error, httpx.ConnectError):
        return "it cannot be reached"
    return str(error) or type(error).__name__


@dataclass
class Fetcher:
    """A source's use of the client; `dates` gathers when its answers were fetched."""

    client: Client
    pause_s: float
    max_age: timedelta
    secret: Callable[[], str] = lambda: ""
    dates: list[datetime] = field(default_factory=list)

    def with_secret(self, secret: Callable[[], str]) -> Fetcher:
        """Return the fetcher with a query sent with every request, never kept, never told.

        It is asked for when the first request is sent, so that none is where the cache answers.
        """
        return replace(self, secret=lru_cache(maxsize=1)(secret))

    def _fetch(
        self, request: Request, read: Callable[[Answer], _Made], most: int | None = None
    ) -> _Made:
        """Return what `read` makes of an answer; only an answer it accepts is kept."""
        client = self.client
        kept = client.cache.get(request.key)
        if kept is not None and not client.fresh:
            young = client.now() - kept.fetched <= self.max_age
            if client.offline or young:
                try:
                    made = read(kept)
                except GatherError:
                    client.cache.drop(request.key)
                else:
                    self.dates.append(kept.fetched)
                    return made
        if client.offline:
            raise GatherError(
                "is not in the cache, and nothing is fetched offline", where=request.shown
            )
        answer = client.ask(
            request,
            pause_s=self.pause_s,
            most=most or client.limits.answer_bytes,
            secret=self.secret(),
        )
        made = read(answer)
        client.cache.put(request.key, answer, shown=request.shown)
        self.dates.append(answer.fetched)
        return made

    def json(
        self,
        url: str,
        params: Mapping[str, Any] | None = None,
        *,
        post: Any = None,
        check: Callable[[Any], None] = lambda _held: None,
    ) -> Any:
        """Return a decoded JSON answer, from the cache where it is young enough.

        Parameters
        ----------
        url, params
            Address, and the query added to it in its order.
        post
            What is posted as JSON; by default nothing is, and the request is a GET.
        check
            Raises `GatherError` for an answer that is not to be kept.

        Returns
        -------
        Any
            Dictionaries, lists, words and numbers, as the service sent them: not to be trusted.

        Raises
        ------
        GatherError
            If nothing usable comes, or it is no JSON.
        """
        body = None if post is None else json.dumps(post, sort_keys=True).encode()
        request = Request(_with_query(url, params), body)

        def read(answer: Answer) -> Any:
            held = _decoded(answer.body, request)
            check(held)
            return held

        return self._fetch(request, read)

    def bytes(
        self,
        url: str,
        params: Mapping[str, Any] | None = None,
        *,
        form: Mapping[str, str] | None = None,
        check: Callable[[bytes], None] = lambda _held: None,
    ) -> bytes:
        """Return an answer as it is, from the cache where it is young enough.

        Parameters
        ----------
        url, params
            Address, and the query added to it in its order.
        form
            What is posted as a form; by default nothing is, and the request is a GET.
        check
            Raises `GatherError` for an answer that is not to be kept.

        Returns
        -------
        bytes
            The whole body.

        Raises
        ------
        GatherError
            If nothing usable comes.
        """
        body = None if form is None else urlencode(form).encode()
        request = Request(_with_query(url, params), body, "application/x-www-form-urlencoded")

        def read(answer: Answer) -> bytes:
            check(answer.body)
            return answer.body

        return self._fetch(request, read)

    def token(self, url: str, member: str) -> str:
        """Return a token a service hands out to anyone; it is never kept."""
        request = Request(url)
        answer = self.client.ask(request, pause_s=self.pause_s, most=MEGABYTE)
        held = _decoded(answer.body, request)
        token = held.get(member) if isinstance(held, dict) else None
        if not isinstance(token, str):
            raise GatherError(f"gave no '{member}'", where=request.shown)
        return token

    def part(self, url: str, start: int, length: int) -> Answer:
        """Return part of a file on a server.

        Parameters
        ----------
        url
            Address of the file.
        start, length
            First byte and count of bytes.

        Returns
        -------
        Answer
            With the size of the whole file; the body is shorter where the file ends.

        Raises
        ------
        GatherError
            If the server gives no parts, or another than was asked for.
        """
        return self._fetch(Request(url, part=(start, length)), lambda answer: answer, length)


def _with_query(url: str, params: Mapping[str, Any] | None) -> str:
    """Return an address with parameters, in their order."""
    if not params:
        return url
    return f"{url}{'&' if '?' in url else '?'}{urlencode({k: str(v) for k, v in params.items()})}"


def _decoded(body: bytes, request: Request) -> Any:
    try:
        return json.loads(body)
    except (ValueError, RecursionError):
        start = body[:200].lstrip().lower()
        page = start.startswith((b"<!doctype html", b"<html"))
        what = "a web page" if page else "XML" if start.startswith(b"<") else "something else"
        raise GatherError(f"answered with {what}, not JSON", where=request.shown) from None
