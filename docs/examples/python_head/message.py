"""Messages of the wire: framing and parsing. Independent of the head.

docs/wire.md defines messages. All input is limited in size; invalid input gives a `WireError` with a number
of SCPI-1999.
"""

import re

MAX_LINE = 65536
MAX_BLOCK = 65536

WORDS = {
    -101: "Invalid character", -102: "Syntax error", -103: "Invalid separator", -104: "Data type error",
    -108: "Parameter not allowed", -109: "Missing parameter", -113: "Undefined header",
    -121: "Invalid character in number", -123: "Exponent too large", -131: "Invalid suffix",
    -151: "Invalid string data", -161: "Invalid block data", -200: "Execution error",
    -203: "Command protected", -221: "Settings conflict", -222: "Data out of range",
    -223: "Too much data", -224: "Illegal parameter value", -230: "Data corrupt or stale",
    -240: "Hardware error", -241: "Hardware missing", -310: "System error", -350: "Queue overflow",
    -363: "Input buffer overrun", -365: "Time out error",
}


class WireError(Exception):
    """Error number and detail; the standard text comes from WORDS."""

    def __init__(self, code, detail=""):
        super().__init__(code, detail)
        self.code, self.detail = code, detail

    def words(self):
        text = WORDS[self.code] + (f";{self.detail}" if self.detail else "")
        return "".join(c if c.isprintable() else " " for c in text)[:255]


class Word(str):
    """A bare word, in capitals; a string parameter is a plain str."""


class Framer:
    """Assembles messages from bytes, however they are split. A newline outside a block ends a message."""

    SPECIAL = re.compile(rb"[\n\"'#]")
    BLANK_LINES = re.compile(rb"[ \t\r\n]*\n")

    def __init__(self):
        self.bytes = bytearray()
        self.lost = False
        self.restart()

    def restart(self):
        self.at, self.quote, self.blocks = 0, None, 0

    def feed(self, data):
        """Complete messages, each as bytes or as a WireError; of blank lines, b"" for one or more."""
        self.bytes += data
        while (message := self.next()) is not None:
            yield message

    def in_block(self):
        return self.at > len(self.bytes)

    def lose(self, code, detail):
        """Discards everything up to the next newline."""
        del self.bytes[:self.at]
        self.restart()
        self.lost = True
        return WireError(code, detail)

    def next(self):
        # A flood of blank lines must not take long.
        if self.at == 0 and not self.lost and (blank := self.BLANK_LINES.match(self.bytes)):
            del self.bytes[:blank.end()]
            return b""
        while not self.in_block():
            found = self.SPECIAL.search(self.bytes, self.at)
            if not found:
                self.at = len(self.bytes)
                if self.lost:
                    del self.bytes[:]
                    self.restart()
                elif self.at - self.blocks > MAX_LINE:
                    return self.lose(-363, f"a message may have {MAX_LINE} bytes")
                return None
            self.at, byte = found.end(), found.group()
            if byte == b"\n":
                message, lost = bytes(self.bytes[:found.start()]), self.lost
                too_long = len(message) - self.blocks > MAX_LINE
                del self.bytes[:self.at]
                self.restart()
                self.lost = False
                if too_long and not lost:
                    return WireError(-363, f"a message may have {MAX_LINE} bytes")
                if not lost:
                    return message if message.strip() else b""
            elif self.lost:
                pass
            elif self.quote:
                self.quote = None if byte == self.quote else self.quote
            elif byte != b"#":
                self.quote = byte
            elif (digits := re.compile(rb"[1-9]?").match(self.bytes, self.at).group()):
                length = bytes(self.bytes[self.at + 1:self.at + 1 + int(digits)])
                if len(length) < int(digits) and (not length or length.isdigit()):
                    self.at = found.start()
                    return None
                if length.isdigit():
                    self.at += 1 + int(digits) + int(length)
                    self.blocks += int(length)
                    if self.blocks > MAX_BLOCK:
                        self.at = min(self.at, found.end())
                        return self.lose(-223, f"blocks may have {MAX_BLOCK} bytes here")
            elif self.at == len(self.bytes):
                # The next byte decides what this is.
                self.at = found.start()
                return None
        return None

    def pause(self):
        """Discards an incomplete block after a pause."""
        if self.in_block():
            del self.bytes[:]
            self.restart()
            return WireError(-161, "the rest of a block did not come")
        return None


HEADER = re.compile(rb"([A-Za-z0-9_:*]+)(\??)(?=[\x00-\x20;]|$)")
NUMBER = re.compile(rb"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
BLANK = re.compile(rb"[\x00-\x20]*")
WORD = re.compile(rb"[A-Za-z][A-Za-z0-9_]*")


def units(message):
    """The units of a message: header, whether it is a query, and parameters."""
    found, at = [], BLANK.match(message).end()
    while at < len(message):
        if message[at:at + 1] == b";":
            at = BLANK.match(message, at + 1).end()
            continue
        header = HEADER.match(message, at)
        if not header:
            raise unexpected(message, at)
        at = BLANK.match(message, header.end()).end()
        arguments = []
        while message[at:at + 1] not in (b"", b";"):
            if arguments:
                if message[at:at + 1] != b",":
                    raise unexpected(message, at, -103)
                at = BLANK.match(message, at + 1).end()
            value, at = argument(message, at)
            arguments.append(value)
            at = BLANK.match(message, at).end()
        found.append((header.group(1).decode().upper(), bool(header.group(2)), arguments))
    return found


def unexpected(message, at, code=-102):
    byte = message[at:at + 1]
    if not byte:
        return WireError(-102, "the message ends unexpectedly")
    shown = repr(byte)[2:-1]
    return WireError(code if 0x20 < byte[0] < 0x7F else -101, f"`{shown}` at byte {at + 1} of the message")


def argument(message, at):
    """A number, a word, a string or a block, and the position after it."""
    byte = message[at:at + 1]
    if number := NUMBER.match(message, at):
        if WORD.match(message, BLANK.match(message, number.end()).end()):
            raise WireError(-131, "numbers have no suffix here: write them in SI")
        value = float(number.group())
        if value in (float("inf"), float("-inf")):
            raise WireError(-123, number.group().decode()[:60])
        return value, number.end()
    if word := WORD.match(message, at):
        return Word(word.group().decode().upper()), word.end()
    if byte in (b'"', b"'"):
        end = at + 1
        while (end := message.find(byte, end)) >= 0 and message[end + 1:end + 2] == byte:
            end += 2
        if end < 0:
            raise WireError(-151, "a string has no closing quote")
        try:
            return message[at + 1:end].replace(byte * 2, byte).decode(), end + 1
        except UnicodeDecodeError:
            raise WireError(-151, "a string is not UTF-8") from None
    if byte == b"#":
        digits = message[at + 1:at + 2]
        length = message[at + 2:at + 2 + int(digits)] if digits.isdigit() else b""
        start = at + 2 + len(length)
        if not length.isdigit() or start + int(length) > len(message):
            raise WireError(-161, "a block is # with the number of digits of the length, the length, the bytes")
        return message[start:start + int(length)], start + int(length)
    raise unexpected(message, at)


# Formats of values in replies.

def number(value):
    """NR3 with as many digits as needed to read the same double; None and NaN are 9.91E+37."""
    if value is None or value != value:
        return "9.91E+37"
    if value in (float("inf"), float("-inf")):
        return "9.9E+37" if value > 0 else "-9.9E+37"
    mantissa, _, exponent = repr(float(value)).partition("e")
    return f"{mantissa if '.' in mantissa else mantissa + '.0'}E{int(exponent or 0):+d}"


def flag(value):
    return "1" if value else "0"


def text(said):
    printable = "".join(c if c.isprintable() else " " for c in said)
    return '"' + printable.replace('"', '""') + '"'


def block(data):
    length = str(len(data)).encode()
    return b"#" + str(len(length)).encode() + length + data
