"""A SCPI instrument without I/O: program messages in, response messages out.

The rules are those of IEEE 488.2 and SCPI-99: a mnemonic is spelled in its short or its long
form exactly, without regard to case; ``;`` keeps the path of the header before it; a leading
``:`` goes back to the root; common commands do not touch the path; the replies of one message
are joined by ``;``. A command error ends the message that holds it (what precedes it has been
carried out), an execution error does not.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from simulated_instruments.status import OPERATION_COMPLETE, ScpiError, Status
from simulated_instruments.values import Integer, Parameter, spellings

Buffer = bytes | bytearray | memoryview
Suffixes = tuple[int, ...]


@dataclass(frozen=True)
class Block:
    """A definite-length block (IEEE 488.2 8.7.9) whose payload may be produced piece by piece.

    Attributes
    ----------
    length : bytes of the payload.
    pieces : the payload; consumed once.
    digits : digits of the length field; None = as many as the length needs.
    prefix : text ahead of the ``#``.
    """

    length: int
    pieces: Iterable[Buffer]
    digits: int | None = None
    prefix: bytes = b""

    @classmethod
    def of(cls, data: bytes, digits: int | None = None, prefix: bytes = b"") -> Block:
        """Make a block of bytes that are at hand."""
        return cls(len(data), (data,), digits, prefix)

    def header(self) -> bytes:
        """Return the prefix, ``#``, the digit count and the length."""
        length = str(self.length).zfill(self.digits or 1)
        return self.prefix + b"#%d" % len(length) + length.encode()


Reply = str | bytes | Block


@dataclass(frozen=True)
class Response:
    """The response message to one program message."""

    units: tuple[bytes | Block, ...]
    terminator: bytes = b"\n"

    @property
    def block(self) -> Block | None:
        """The first block, if there is one."""
        return next((u for u in self.units if isinstance(u, Block)), None)

    def __iter__(self) -> Iterator[Buffer]:
        for number, unit in enumerate(self.units):
            separator = b";" if number else b""
            if isinstance(unit, Block):
                yield separator + unit.header()
                yield from unit.pieces
            else:
                yield separator + unit
        yield self.terminator

    def join(self) -> bytes:
        """Return all bytes; for short responses."""
        return b"".join(self)


Write = Callable[..., None]
Query = Callable[..., Reply]


@dataclass(frozen=True, slots=True)
class Command:
    """One row of an instrument's command table.

    Attributes
    ----------
    header : as manuals print it: ``CHANnel<n>:SCALe``, ``TRIGger[:EDGE]:LEVel``, ``*RST``.
    parameters : of the command form. write : handler, called with (suffixes, *values).
    query : handler of the query form. asks : parameters of the query form.
    optional : how many of the last parameters may be left out (both forms).
    """

    header: str
    parameters: tuple[Parameter, ...] = ()
    write: Write | None = None
    query: Query | None = None
    asks: tuple[Parameter, ...] = ()
    optional: int = 0
    many: bool = False
    """Whether the last parameter may be repeated."""


@dataclass
class _Node:
    """One mnemonic in the tree; both spellings point to it."""

    mnemonic: str = ""
    suffix: bool = False
    children: dict[str, _Node] = field(default_factory=dict)
    command: Command | None = None

    def child(self, text: str) -> tuple[_Node, int | None] | None:
        """Find ``CHAN1`` or ``SCALE`` below this node; return it with its suffix."""
        found = self.children.get(text)
        if found is not None:
            return found, 1 if found.suffix else None
        stem = text.rstrip("0123456789")
        found = self.children.get(stem)
        if found is None or not found.suffix or len(text) - len(stem) > 6:
            return None
        return found, int(text[len(stem) :])


def _expand(header: str) -> list[list[str]]:
    """Write out the optional nodes of a header: ``A[:B]:C`` is ``A:C`` and ``A:B:C``."""
    found = re.search(r"\[([^\[\]]*)\]", header)
    if not found:
        return [[node for node in header.split(":") if node]]
    head, tail = header[: found.start()], header[found.end() :]
    return _expand(head + tail) + _expand(head + found[1] + tail)


class CommandTree:
    """The table of an instrument as a tree of mnemonics."""

    def __init__(self, commands: Iterable[Command]) -> None:
        self.root = _Node()
        self.common: dict[str, Command] = {}
        for command in commands:
            if command.header.startswith("*"):
                self.common[command.header.upper()] = command
                continue
            for nodes in _expand(command.header):
                self._add(nodes, command)

    def _add(self, nodes: Sequence[str], command: Command) -> None:
        at = self.root
        for text in nodes:
            name, numbered = re.sub(r"<.*>", "", text), "<" in text
            short, long = spellings(name)
            node = at.children.get(long) or _Node(name, numbered)
            at.children[short] = at.children[long] = node
            at = node
        if at.command is not None:
            raise ValueError(f"two commands claim {':'.join(nodes)}")
        at.command = command


@dataclass(frozen=True, slots=True)
class Path:
    """Where a header ends: the node above its last mnemonic, and the suffixes down to there."""

    node: _Node
    suffixes: Suffixes = ()
    mnemonics: tuple[str, ...] = ()


def split_outside(text: str, separator: str) -> list[str]:
    """Split at ``separator`` where it stands outside quotes and parentheses."""
    parts, start, quote, depth = [], 0, "", 0
    for place, character in enumerate(text):
        if quote:
            quote = "" if character == quote else quote
        elif character in "\"'":
            quote = character
        elif character == "(":
            depth += 1
        elif character == ")":
            depth -= 1
        elif character == separator and depth <= 0:
            parts.append(text[start:place])
            start = place + 1
    if quote:
        raise ScpiError(-151, text)
    parts.append(text[start:])
    return parts


class Instrument:
    """The base of every simulated instrument: common commands, error queue, message execution.

    Subclasses give ``identity``, ``table()`` and ``reset()``. ``wait`` is set by the server: it
    blocks until a predicate holds, and raises when the link goes away or is cleared meanwhile.
    """

    identity: tuple[str, str, str, str] = ("QUILLMOOR INSTRUMENTS", "", "0", "0")
    longest_input = 1 << 20
    longest_mnemonic = 12

    def __init__(self) -> None:
        self.status = Status(texts=self.device_errors())
        self.wait: Callable[[Callable[[], bool]], None] = _never_wait
        self.settings_stick = True
        self._opc_armed = False
        self._tree = CommandTree((*self.common_commands(), *self.table()))

    @property
    def root(self) -> _Node:
        """The top of the command tree."""
        return self._tree.root

    # -- what a subclass gives ---------------------------------------------------------------------
    def table(self) -> tuple[Command, ...]:
        """Return the instrument's own commands."""
        return ()

    def device_errors(self) -> dict[int, str]:
        """Return texts of the device-specific error numbers."""
        return {}

    def reset(self) -> None:
        """Do what ``*RST`` does."""

    def power_cycle(self) -> None:
        """Do what switching off and on does."""
        self.status = Status(texts=self.device_errors())
        self.reset()

    def operation_complete(self) -> bool:
        """Whether no operation is pending."""
        return True

    def format_reply(self, mnemonics: tuple[str, ...], value: Reply) -> Reply:  # noqa: ARG002 - for families with headers
        """Return the reply as it is sent; a family with response headers adds them here."""
        return value

    # -- common commands ---------------------------------------------------------------------------
    def common_commands(self) -> tuple[Command, ...]:
        """Return the thirteen mandatory common commands of IEEE 488.2."""
        byte = (Integer(),)
        return (
            Command("*IDN", query=lambda _: ",".join(self.identity)),
            Command("*RST", write=lambda _: self.reset()),
            Command("*CLS", write=lambda _: self.clear_status()),
            Command("*ESE", byte, self._set_event_enable, lambda _: str(self.status.event_enable)),
            Command("*ESR", query=lambda _: str(self.status.read_event_status())),
            Command("*OPC", write=self._opc, query=self._opc_query),
            Command("*SRE", byte, self._set_service, lambda _: str(self.status.service_enable)),
            Command("*STB", query=lambda _: str(self.status_byte(message_available=False))),
            Command("*TST", query=lambda _: "0"),
            Command("*WAI", write=lambda _: self.wait(self.operation_complete)),
        )

    def clear_status(self) -> None:
        """Do what ``*CLS`` does."""
        self.status.clear()
        self._opc_armed = False

    def status_byte(self, message_available: bool) -> int:
        """Return the status byte."""
        self._note_completion()
        return self.status.status_byte(message_available)

    def _set_event_enable(self, _: Suffixes, value: int) -> None:
        self.status.event_enable = self._register(value)

    def _set_service(self, _: Suffixes, value: int) -> None:
        self.status.service_enable = self._register(value) & ~64

    @staticmethod
    def _register(value: int) -> int:
        if not 0 <= value <= 255:
            raise ScpiError(-222, str(value))
        return value

    def _opc(self, _: Suffixes) -> None:
        self._opc_armed = True
        self._note_completion()

    def _opc_query(self, _: Suffixes) -> str:
        self.wait(self.operation_complete)
        return "1"

    def _note_completion(self) -> None:
        if self._opc_armed and self.operation_complete():
            self._opc_armed = False
            self.status.event_status |= OPERATION_COMPLETE

    # -- execution ---------------------------------------------------------------------------------
    def execute(self, message: bytes) -> Response | None:
        """Carry out one program message (without its terminator); return its response, if any."""
        replies: list[bytes | Block] = []
        try:
            text = self._decode(message)
            path = Path(self._tree.root)
            for unit in split_outside(text, ";"):
                if unit.strip():
                    path = self._unit(unit.strip(), path, replies)
        except ScpiError as error:
            self.status.push(error.code, error.detail)
        self._note_completion()
        return Response(tuple(replies)) if replies else None

    def _decode(self, message: bytes) -> str:
        if len(message) > self.longest_input:
            raise ScpiError(-363)
        try:
            return message.decode("ascii").strip()
        except UnicodeDecodeError as error:
            raise ScpiError(-101) from error

    def _unit(self, unit: str, path: Path, replies: list[bytes | Block]) -> Path:
        """Carry out one message unit; return the path for the next one."""
        header, _, rest = unit.partition(" ") if " " in unit else unit.partition("\t")
        command, suffixes, mnemonics, after = self.find(header, path)
        try:
            reply = self._call(command, header.endswith("?"), suffixes, rest.strip())
        except ScpiError as error:
            if event_is_command_error(error):
                raise
            self.status.push(error.code, error.detail)
            return after
        if reply is not None:
            reply = self.format_reply(mnemonics, reply)
            replies.append(reply.encode("latin-1") if isinstance(reply, str) else reply)
        return after

    def find(self, header: str, path: Path) -> tuple[Command, Suffixes, tuple[str, ...], Path]:
        """Look a header up; return the command, suffixes, full name and the path after it."""
        name = header.rstrip("?").upper()
        if name.startswith("*"):
            if name not in self._tree.common:
                raise ScpiError(-113, header)
            return self._tree.common[name], (), (name,), path
        if name.startswith(":"):
            name, path = name[1:], Path(self._tree.root)
        parent, at = path, path
        for text in name.split(":"):
            if len(text) > self.longest_mnemonic:
                raise ScpiError(-112, header)
            found = at.node.child(text)
            if found is None:
                raise ScpiError(-113, header)
            node, suffix = found
            label = node.mnemonic if suffix is None else f"{node.mnemonic}{suffix}"
            suffixes = at.suffixes if suffix is None else (*at.suffixes, suffix)
            parent, at = at, Path(node, suffixes, (*at.mnemonics, label))
        if at.node.command is None:
            raise ScpiError(-113, header)
        return at.node.command, at.suffixes, at.mnemonics, parent

    def _call(self, command: Command, asks: bool, suffixes: Suffixes, rest: str) -> Reply | None:
        handler = command.query if asks else command.write
        if handler is None:
            raise ScpiError(-113, command.header)
        texts = [part.strip() for part in split_outside(rest, ",")] if rest else []
        values = self._values(command, command.asks if asks else command.parameters, texts)
        if asks:
            return handler(suffixes, *values)
        if self.settings_stick or not texts or command.header.startswith("*"):
            handler(suffixes, *values)
        return None

    @staticmethod
    def _values(command: Command, kinds: tuple[Parameter, ...], texts: list[str]) -> list[object]:
        if command.many and kinds and len(texts) > len(kinds):
            kinds = (*kinds, *[kinds[-1]] * (len(texts) - len(kinds)))
        if len(texts) > len(kinds):
            raise ScpiError(-108, texts[len(kinds)])
        if len(texts) < len(kinds) - command.optional:
            raise ScpiError(-109, command.header)
        return [kind.parse(text) for kind, text in zip(kinds, texts, strict=False)]


def event_is_command_error(error: ScpiError) -> bool:
    """Whether an error ends its program message."""
    return -199 <= error.code <= -100


def _never_wait(predicate: Callable[[], bool]) -> None:
    if not predicate():
        raise ScpiError(-300, "an operation is pending and no server is there to wait for it")
