"""All the wires of a console changed in the text of its file, and not a byte of it besides.

The text is cut once, as `cli.console.rewriting` cuts it, and values are cut further where only a
part of them changes: a pin in a table, a run in a list, a row where all rows are one list. What
to put where is gathered, and all of it is put in at the end. Whether the pins are good ones is
not known here.
"""

import json
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import takewhile
from typing import Any

from attrs import define, evolve, field, fields, frozen

from cli.console.rewriting import TOKEN, WIDTH, CannotRewriteError, Path, Piece, key_names, pieces
from combination.contacts import Role, contacts_of, pin_after
from combination.findings import ConsoleFileError
from combination.model import Board, Console, Contact, Keyboard, Piston, file_word
from combination.reading import read_console

Row = dict[str, Any]
"""A table as `tomllib` reads it. In a new one, None takes the key out."""


def rewired(text: str, after: Console) -> str:
    """The text of a console file changed so that it reads as ``after``.

    ``after`` is the console of the text, and differs from it in its wires alone: the contacts,
    lamps and drives of controls, pistons and keyboards, the lock, what moves the transposer, where
    ranks go out, and boards after those that are there. What has its pin already is left as it
    is written; keys in runs are looked at one by one.

    Raises:
        CannotRewriteError: if the outcome would not read as ``after``.
    """
    newline = "\r\n" if "\r\n" in text else "\n"
    unended = "" if text.endswith("\n") else newline
    try:
        before = tomllib.loads(text)
        wiring = _Wiring(text + unended, newline)
        for path, old, new in _changes(before, after):
            wiring.change(path, old, new)
        wiring.add_boards(before.get("board", []), after.boards)
        outcome = wiring.outcome().removesuffix(unended)
        found = read_console(outcome)
    except (ValueError, LookupError, RecursionError, ConsoleFileError) as error:
        raise CannotRewriteError from error
    if _key_by_key(found) != _key_by_key(after):
        raise CannotRewriteError
    return outcome


def _key_by_key(console: Console) -> tuple[Console, set[tuple[str, int, str, bool]]]:
    """A console without its runs of keys, and each key's wire."""
    keys = {(w.id, w.number, w.pin, w.inverted) for w in contacts_of(console) if w.role is Role.KEY}
    bare = tuple(evolve(keyboard, contacts=()) for keyboard in console.keyboards)
    return evolve(console, keyboards=bare), keys


# ---------------------------------------------------------------- what changes


_CONTROL_PINS = ("contact", "contact_on", "contact_off", "lamp", "drive_on", "drive_off")
_TURNED_PINS = ("up", "down", "zero", "switch")


def _changes(before: Row, after: Console) -> Iterator[tuple[Path, Row, Row]]:
    """Each table whose wires change: the way to it, itself, and its new keys."""
    for path, old, new in _wired_rows(before, after):
        changed = {key: value for key, value in new.items() if not _same(old.get(key), value)}
        if changed:
            yield path, old, changed


def _wired_rows(before: Row, after: Console) -> Iterator[tuple[Path, Row, Row]]:
    """Each table that has wires, or may have, with what its wiring is to be."""
    lock, transposer = after.setting.lock, after.transposer
    yield ("set",), before.get("set", {}), {"lock": _pin_data(lock)}
    turned = {word: _pin_data(getattr(transposer, word)) for word in _TURNED_PINS}
    yield ("transposer",), before.get("transposer", {}), turned
    wired: list[tuple[str, Sequence[Any], Callable[[Any, Row], Row]]] = [
        ("keyboard", after.keyboards, _of_keyboard),
        ("rank", after.ranks, lambda rank, _: {"out": _listed(map(_table_data, rank.out))}),
        ("stop", after.stops, _of_control),
        ("coupler", after.couplers, _of_control),
        ("tremulant", after.tremulants, _of_control),
        ("percussion", after.percussions, _of_control),
        ("trap", after.traps, _of_control),
        ("effect", after.effects, _of_control),
        ("piston", after.pistons, _of_piston),
    ]
    for kind, things, wiring in wired:
        rows = before.get(kind, [])
        for index, (old, thing) in enumerate(zip(rows, things, strict=True)):
            yield (kind, index), old, wiring(thing, old)


def _of_control(control: Any, _: Row) -> Row:
    return {name.replace("_", "-"): _pin_data(getattr(control, name)) for name in _CONTROL_PINS}


def _of_piston(piston: Piston, old: Row) -> Row:
    new: Row = {"contact": _listed(map(_pin_data, piston.contact)), "lamp": piston.lamp}
    if piston.second_touch is not None:
        deeper = _listed(map(_pin_data, piston.second_touch.contact))
        rest = {key: value for key, value in old["second-touch"].items() if key != "contact"}
        new["second-touch"] = rest | ({} if deeper is None else {"contact": deeper})
    return new


def _pin_data(wire: Contact | str | None) -> Any:
    if not isinstance(wire, Contact):
        return wire
    return {"pin": wire.pin, "inverted": True} if wire.inverted else wire.pin


def _table_data(value: Any) -> Row:
    """A table of the model by the file's words, without what is not written."""
    there = [f for f in fields(type(value)) if getattr(value, f.name) != f.default]
    return {file_word(f): getattr(value, f.name) for f in there}


def _listed(values: Iterable[Any]) -> list[Any] | None:
    return list(values) or None


def _same(old: Any, new: Any) -> bool:
    """Whether a value says already what it should, however it is written."""
    return bool(_full(old) == _full(new))


def _full(value: Any) -> Any:
    """A wire, or a list of them, as a list of tables without what need not be said."""
    if value is None:
        return []
    rows = [_as_table(row) for row in _several(value)]
    return [{k: v for k, v in row.items() if not _unsaid(k, v)} for row in rows]


def _unsaid(key: str, value: Any) -> bool:
    """Whether a key of a wire says only what is so without it."""
    return (key, value) in (("inverted", False), ("from", 1))


def _several(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [value]


def _as_table(value: Any) -> Row:
    return value if isinstance(value, dict) else {"pin": value}


def _shaped(old: Any, new: Any) -> Any:
    """A new value in the form of the old one, as far as it can be."""
    if isinstance(old, list):
        return _several(new)
    if isinstance(new, list):
        there = [each for each in new if each is not None]
        new = there[0] if len(there) == 1 else there
    return _as_table(new) if isinstance(old, dict) and isinstance(new, str) else new


def _complete(old: Row, new: Row) -> Row:
    """What changes if a table is to say this and nothing else."""
    gone = {k: None for k, v in old.items() if k not in new and not _unsaid(k, v)}
    return gone | {k: v for k, v in new.items() if k not in old or not _same(old[k], v)}


# ---------------------------------------------------------------- runs of keys


@frozen
class _Run:
    """A run as it is written, and its keys."""

    written: Any
    keys: range
    inverted: bool


def _of_keyboard(keyboard: Keyboard, old: Row) -> Row:
    """A keyboard's runs: those that are still unbroken, as they are cut now, and what is new.

    A run that is gone makes place for a new one, so that what a person says beside it stays there.
    """
    wires = dict(_wires(keyboard))
    places: list[Any] = []
    for run in [_run(keyboard, each) for each in _several(old.get("contacts", []))]:
        moved = [wires.get(key) for key in run.keys]
        first = moved[0] if moved else None
        if first and moved == [(pin_after(first[0], n), run.inverted) for n in range(len(moved))]:
            places.append(_moved(run.written, first[0]))
            for key in run.keys:
                del wires[key]
        else:
            places.append(None)
    for new in _runs(keyboard, wires):
        if None in places:
            places[places.index(None)] = new
        else:
            places.append(new)
    return {"contacts": None if all(place is None for place in places) else places}


def _wires(keyboard: Keyboard) -> Iterator[tuple[int, tuple[str, bool]]]:
    for run in keyboard.contacts:
        keys = _run(keyboard, _table_data(run)).keys
        for after, key in enumerate(keys):
            yield key, (pin_after(run.pin, after), run.inverted)


def _run(keyboard: Keyboard, written: Any) -> _Run:
    run = _as_table(written)
    first = run.get("key", keyboard.lowest)
    count = run.get("keys", keyboard.lowest + keyboard.keys - first)
    return _Run(written, range(first, first + count), run.get("inverted", False))


def _moved(written: Any, pin: str) -> Any:
    return written | {"pin": pin} if isinstance(written, dict) else pin


def _runs(keyboard: Keyboard, wires: Mapping[int, tuple[str, bool]]) -> Iterator[Any]:
    """Keys and their wires as runs that say no more than they need."""
    runs: list[list[int]] = []
    for key in sorted(wires):
        pin, inverted = wires[key]
        before = wires.get(key - 1)
        if before and (pin_after(before[0], 1), before[1]) == (pin, inverted):
            runs[-1].append(key)
        else:
            runs.append([key])
    for run in runs:
        pin, inverted = wires[run[0]]
        table: Row = {"pin": pin}
        if run[0] != keyboard.lowest:
            table["key"] = run[0]
        if run[-1] + 1 != keyboard.lowest + keyboard.keys:
            table["keys"] = len(run)
        if inverted:
            table["inverted"] = True
        yield table if len(table) > 1 else pin


# ---------------------------------------------------------------- the text


_LATER = (
    "contacts",
    "contact",
    "contact-on",
    "contact-off",
    "second-touch",
    "lamp",
    "drive-on",
    "drive-off",
    "was",
    "out",
    "velocity",
    "stroke",
    "rate",
    "longest-on",
    "program",
)
"""The order in which a table ends: a new key goes before the first of those after it."""
_Added = list[tuple[Path, Any]]


@define
class _Wiring:
    """A text, cut into its pieces, and what is to be put in which places of it."""

    text: str
    newline: str
    under: dict[Path, list[Piece]] = field(init=False, factory=dict)
    sections: dict[Path, list[Piece]] = field(init=False, factory=dict)
    items: dict[Piece, list[Piece]] = field(init=False, factory=dict)
    tables: dict[str, Row] = field(init=False, factory=dict)
    edits: list[tuple[int, int, str]] = field(init=False, factory=list)

    def __attrs_post_init__(self) -> None:
        for piece in pieces(self.text):
            self.sections.setdefault(piece.table, []).append(piece)
            for length in range(1, len(piece.path) + 1):
                self.under.setdefault(piece.path[:length], []).append(piece)

    def outcome(self) -> str:
        """The text with everything put in; of several things for one place, the first first."""
        top = self.sections[()][-1].end
        tables = [(top, top, _block(f"[{name}]", row)) for name, row in self.tables.items()]
        done = 0
        parts: list[str] = []
        for start, end, new in sorted([*self.edits, *tables], key=lambda edit: edit[0]):
            parts += [self.text[done:start], new.replace("\n", self.newline)]
            done = max(done, end)
        return "".join(parts) + self.text[done:]

    def change(self, path: Path, old: Row, new: Row) -> None:
        """Change keys of one table of the file; those that ``new`` has not are left."""
        rows = self._whole(path[:1])
        if rows is None:
            self._change_lines(path, old, new)
        elif len(path) == 1:
            self._change_inline_table(rows, old, new)
        else:
            self._change_inline_table(self._items(rows)[path[1]], old, new)  # type: ignore[index]

    def add_boards(self, old: list[Row], boards: Sequence[Board]) -> None:
        """Add those boards that there are not yet, after the others."""
        new = [_board_data(board) for board in boards[len(old) :]]
        rows = self._whole(("board",))
        if rows is not None:
            self._change_inline_list(rows, old, [*old, *new])
        else:
            self.edits += [
                (len(self.text), len(self.text), _block("[[board]]", row)) for row in new
            ]

    def _whole(self, path: Path) -> Piece | None:
        """The piece of a value that is written in one place."""
        first = self.under[path][0] if path in self.under else None
        return first if first and first.path == path and not first.header else None

    # ------------------------------------------------------------ keys on lines of their own

    def _change_lines(self, path: Path, old: Row, new: Row) -> None:
        removed, added = self._compared(self.under.get(path, []), path, old, new)
        self.edits += [(piece.start, piece.end, "") for piece in removed]
        for where, value in added:
            self._add_line(where, value)

    def _compared(
        self, there: Sequence[Piece], path: Path, old: Row, new: Row
    ) -> tuple[list[Piece], _Added]:
        """What of a table's pieces goes and what comes; changed values are changed at once."""
        removed: list[Piece] = []
        added: _Added = []
        for key, value in new.items():
            way = (*path, key)
            own = [piece for piece in there if piece.path[: len(way)] == way]
            whole = own[0] if own and own[0].path == way and not own[0].header else None
            if value is None:
                removed += own
            elif not own:
                added.append((way, value))
            elif whole is not None:
                self._change_value(whole, old[key], value)
            elif isinstance(old[key], list):
                self._change_tables(own, way, old[key], value)
            elif isinstance(shaped := _shaped(old[key], value), dict):
                inner = self._compared(own, way, old[key], _complete(old[key], shaped))
                removed += inner[0]
                added += inner[1]
            else:
                removed += own
                added.append((way, value))
        return removed, added

    def _change_tables(self, own: list[Piece], path: Path, old: list[Row], new: Any) -> None:
        """The same for tables of an array with a header each, as ``[[keyboard.contacts]]``."""
        rows = [None if row is None else _as_table(row) for row in _several(new)]
        rows += [None] * (len(old) - len(rows))
        for index, row in enumerate(rows[: len(old)]):
            if row is None:
                there = self.under[*path, index]
                self.edits += [(piece.start, piece.end, "") for piece in there]
            elif not _same(old[index], row):
                self._change_lines((*path, index), old[index], _complete(old[index], row))
        name = ".".join(str(step) for step in path if isinstance(step, str))
        for row in rows[len(old) :]:
            end = own[-1].end
            self.edits.append((end, end, _block(f"[[{name}]]", row or {})))

    def _add_line(self, path: Path, value: Any) -> None:
        """A new key in the table that it belongs to, or in one of its own if there is none."""
        *table, key = path
        above = tuple(table)
        section = self.sections.get(above)
        if section is None:
            dotted = [p for p in self.under.get(above, []) if len(p.table) < len(above)]
            if not dotted:
                if len(above) != 1:
                    raise CannotRewriteError
                self.tables.setdefault(str(above[0]), {})[str(key)] = value
                return
            anchor = dotted[-1]
            name = ".".join(map(str, path[len(anchor.table) :]))
        else:
            name = str(key)
            anchor = _before(name, section, len(above))[-1]
        line = self.text[anchor.start : anchor.end]
        indent = line[: len(line) - len(line.lstrip(" \t"))]
        start = f"{indent}{name} = "
        self.edits.append((anchor.end, anchor.end, f"{start}{_text(value, len(start))}\n"))

    # ------------------------------------------------------------ within a value

    def _change_value(self, piece: Piece, old: Any, new: Any) -> None:
        new = _shaped(old, new)
        if isinstance(old, dict) and isinstance(new, dict):
            self._change_inline_table(piece, old, _complete(old, new))
        elif isinstance(old, list) and isinstance(new, list):
            self._change_inline_list(piece, old, new)
        else:
            text = _text(new, piece.value - piece.start)
            self.edits.append((piece.value, piece.value_end, text))

    def _change_inline_table(self, piece: Piece, old: Row, new: Row) -> None:
        items = self._items(piece)
        removed, added = self._compared(items, piece.path, old, new)
        kept = [item for item in items if item not in removed]
        for number, item in enumerate(items):
            if item in removed:
                self.edits.append(
                    self._cut_out(items, number, bool(kept and kept[0] in items[:number]))
                )
        first = []
        for path, value in added:
            name, *_ = names = [str(step) for step in path[len(piece.path) :]]
            text = f"{'.'.join(names)} = {_text(value, 0)}"
            before = _before(name, kept, len(piece.path))
            if before:
                self.edits.append((before[-1].value_end, before[-1].value_end, f", {text}"))
            else:
                first.append(text)
        if first:
            joined = ", ".join(first)
            if items:
                start, joined = items[0].start, joined + (", " if kept else "")
            else:
                start, joined = piece.value + 1, f" {joined} "
            self.edits.append((start, start, joined))

    def _change_inline_list(self, piece: Piece, old: list[Any], new: list[Any]) -> None:
        items = self._items(piece)
        places = new + [None] * (len(old) - len(new))
        kept: Piece | None = None
        for number, (was, value) in enumerate(zip(old, places, strict=False)):
            item = items[number]
            if value is None:
                beside = kept and "\n" not in self.text[kept.value_end : item.start]
                whole_line = None if beside else self._line_of(item)
                edit = (
                    (*whole_line, "") if whole_line else self._cut_out(items, number, bool(beside))
                )
                self.edits.append(edit)
                continue
            kept = item
            if not _same(was, value):
                self._change_value(item, was, value)
        added = [_text(value, 0) for value in places[len(old) :]]
        if added and items:
            self._lengthen(items[-1], added)
        elif added:
            self.edits.append((piece.value, piece.value_end, _list_text(added, 0)))

    def _cut_out(self, items: list[Piece], number: int, after: bool) -> tuple[int, int, str]:
        """What to cut out so that an item is gone, and one comma, if there are others.

        ``after`` if one stays before it.
        """
        item = items[number]
        if after:
            return items[number - 1].value_end, item.value_end, ""
        end = item.end
        while self.text[end] in " \t":
            end += 1
        return item.start, end if item.end > item.value_end else item.value_end, ""

    def _line_of(self, item: Piece) -> tuple[int, int] | None:
        """The lines of an item of a list, if nothing else but a comment is on them."""
        start = self.text.rfind("\n", 0, item.start) + 1
        end = self.text.index("\n", item.end) + 1
        rest = self.text[item.end : end].strip()
        alone = not self.text[start : item.start].strip() and (not rest or rest[0] == "#")
        return (start, end) if alone else None

    def _lengthen(self, last: Piece, added: list[str]) -> None:
        """Items after the last of a list, each on a line of its own if that is."""
        lines = self._line_of(last)
        if lines is None:
            text = "".join(f", {each}" for each in added)
            self.edits.append((last.value_end, last.value_end, text))
            return
        indent = self.text[lines[0] : last.start]
        if last.end == last.value_end:
            self.edits.append((last.end, last.end, ","))
        self.edits.append((lines[1], lines[1], "".join(f"{indent}{each},\n" for each in added)))

    def _items(self, piece: Piece) -> list[Piece]:
        """A table or list that is written as one value, cut into its keys or its items."""
        if piece in self.items:
            return self.items[piece]
        found = self.items.setdefault(piece, [])
        depth = start = equals = value_end = 0
        table = self.text[piece.value] == "{"
        for token in TOKEN.finditer(self.text, piece.value, piece.value_end):
            sign = token[0]
            closes = depth == 1 and sign in (",", "]", "}")
            if closes and start:
                end = token.end() if sign == "," else value_end
                found.append(self._item(piece, len(found), (start, end, equals, value_end)))
                start = equals = 0
            depth += (sign in ("[", "{")) - (sign in ("]", "}"))
            if closes or sign.isspace() or sign.startswith("#") or token.start() == piece.value:
                continue
            if table and sign == "=" and depth == 1 and not equals:
                equals = token.end()
            start = start or token.start() + len(sign) - len(sign.lstrip())
            value_end = token.start() + len(sign.rstrip())
        return found

    def _item(self, piece: Piece, index: int, at: tuple[int, int, int, int]) -> Piece:
        start, end, equals, value_end = at
        if not equals:
            path: Path = (*piece.path, index)
            return Piece(start, end, path, piece.table, value=start, value_end=value_end)
        path = (*piece.path, *key_names(self.text[start : equals - 1]))
        written = self.text[equals:value_end]
        value = value_end - len(written.lstrip())
        return Piece(start, end, path, piece.table, value=value, value_end=value_end)


def _before(new: str, there: Iterable[Piece], depth: int) -> list[Piece]:
    """The pieces of a table, so many steps from the top, after which a new key goes."""

    def stays_before(piece: Piece) -> bool:
        if piece.header or piece.path[depth] not in _LATER or new not in _LATER:
            return True
        return _LATER.index(str(piece.path[depth])) <= _LATER.index(new)

    return [*takewhile(stays_before, there)]


# ---------------------------------------------------------------- values


def _board_data(board: Board) -> Row:
    row = {
        k: v if isinstance(v, str | int) else _table_data(v) for k, v in _table_data(board).items()
    }
    return {key: row[key] for key in ("id", "name", "pins", "in", "out") if key in row}


def _block(header: str, row: Row) -> str:
    lines = [f"{key} = {_text(value, len(key) + 3)}\n" for key, value in row.items()]
    return f"\n{header}\n{''.join(lines)}"


def _text(value: Any, column: int) -> str:
    """A value as it is written from a column on; a single wire without the brackets of a list."""
    if isinstance(value, dict):
        inner = ", ".join(f"{key} = {_text(each, 0)}" for key, each in value.items())
        return f"{{ {inner} }}"
    if isinstance(value, list):
        there = [each for each in value if each is not None]
        if len(there) == 1 and "pin" in _as_table(there[0]):
            return _text(there[0], column)
        return _list_text([_text(each, 0) for each in there], column)
    return json.dumps(value, ensure_ascii=False)  # the same in TOML for what is printable


def _list_text(texts: list[str], column: int) -> str:
    """A list in one line, or, if it is long or has several tables, in one for each item."""
    line = f"[{', '.join(texts)}]"
    tables = len(texts) > 1 and texts[0].startswith("{")
    if not tables and column + len(line) <= WIDTH:
        return line
    return "[\n" + "".join(f"    {text},\n" for text in texts) + "]"
