"""Banks and consoles of every sort, for hypothesis.

What is drawn is what a bank may hold, not what an engine would make of it: controls that a
console lost, combinations beyond a piston's range, steps that press pistons unheard of.
"""

from decimal import Decimal

from attrs import evolve
from hypothesis import strategies as st

from banks.bankfile import BankFile, StoreFile
from banks.parts import Part
from combination.memory import (
    Bank,
    Combination,
    ControlCard,
    Level,
    PistonCard,
    Slot,
    Step,
    fresh_bank,
)
from combination.model import Action, Console, Crescendo, Kind, Piston, Selection, Stage, Stop

TURNS_THE_LINE = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"


def texts(least: int = 0) -> st.SearchStrategy[str]:
    """Texts that a bank may hold: any language, but nothing that moves a cursor."""
    characters = st.characters(
        exclude_categories=("Cc", "Cs", "Zl", "Zp"), exclude_characters=TURNS_THE_LINE
    )
    return st.text(characters, min_size=least, max_size=10)


labels = st.lists(texts(), max_size=3).map(tuple)
level_numbers = st.integers(1, 6) | st.integers(1, 10_000)
step_numbers = st.builds(
    lambda digits, places: Decimal(digits).scaleb(-places),
    st.integers(1, 10**6),
    st.integers(0, 12),
)
moments = st.datetimes().map(lambda moment: moment.isoformat(timespec="seconds") + "Z")


def _steps(pistons: st.SearchStrategy[str]) -> st.SearchStrategy[tuple[Step, ...]]:
    return st.lists(step_numbers, max_size=4, unique=True).flatmap(
        lambda numbers: st.tuples(
            *(
                st.builds(Step, st.just(number), level_numbers, pistons, texts())
                for number in sorted(numbers)
            )
        )
    )


@st.composite
def banks(draw: st.DrawFn) -> Bank:
    """Any bank that a file can carry."""
    controls = draw(st.lists(texts(1), max_size=20, unique=True))
    pistons = draw(st.lists(texts(1), max_size=6, unique=True))
    bits = st.integers(0, (1 << len(controls)) - 1)
    owners = st.sampled_from(pistons) if pistons else st.nothing()
    combinations = st.dictionaries(owners, st.builds(Combination, bits, st.just(0) | bits))
    levels = st.builds(Level, texts(), st.booleans(), combinations)
    return Bank(
        console=draw(texts()),
        controls=tuple(ControlCard(id_, draw(labels), draw(texts())) for id_ in controls),
        pistons={
            id_: PistonCard(id_, draw(labels), draw(texts()), draw(bits), draw(texts()))
            for id_ in pistons
        },
        name=draw(texts()),
        locked=draw(st.booleans()),
        levels=draw(st.dictionaries(level_numbers, levels, max_size=4)),
        full_organs=draw(st.dictionaries(owners, bits)),
        stages=draw(st.dictionaries(st.integers(1, 1_000), bits, max_size=3)),
        sequences=draw(st.dictionaries(texts(1), _steps(texts(1)), max_size=3)),
        level=draw(level_numbers),
        sequence=draw(st.none() | texts(1)),
        place=draw(st.just(Decimal(0)) | step_numbers),
    )


@st.composite
def banks_with_passphrases(draw: st.DrawFn) -> Bank:
    """Any bank whose locks may have passphrases."""
    bank = draw(banks())
    locks: list[Bank | Level] = [bank, *bank.levels.values()]
    for lock in locks:
        if lock.locked:
            lock.verifier = draw(st.binary(max_size=256))
    return bank


def _only(bank: Bank, part: Part) -> Bank:
    """A bank without what is not in a part of it."""
    return evolve(
        bank,
        locked=False,
        verifier=b"",
        stages={},
        sequences={},
        levels={
            number: Level(
                combinations={
                    piston: combination
                    for piston, combination in level.combinations.items()
                    if piston in part.pistons
                }
            )
            if part.pistons is not None
            else level
            for number, level in bank.levels.items()
            if part.levels is None or number in part.levels
        },
        full_organs={
            piston: on
            for piston, on in bank.full_organs.items()
            if part.levels is None and piston in (part.pistons or ())
        },
    )


@st.composite
def parts(draw: st.DrawFn) -> tuple[Bank, Part]:
    """A part of any bank, and which part it is."""
    bank = draw(banks_with_passphrases())
    number = st.sampled_from(sorted(bank.levels) or [1]) | st.integers(1, 10_000)
    levels = st.lists(number, min_size=1, max_size=4, unique=True).map(tuple)
    which = levels.map(Part)
    if bank.pistons:
        piston = st.sampled_from(sorted(bank.pistons))
        pistons = st.lists(piston, min_size=1, unique=True).map(tuple)
        which |= st.builds(Part, st.none() | levels, pistons)
    part = draw(which)
    return _only(bank, part), part


@st.composite
def bank_files(draw: st.DrawFn) -> BankFile:
    """Any file of one bank, or of a part of one."""
    whole = banks_with_passphrases().map(lambda bank: (bank, None))
    bank, part = draw(whole | parts())
    return BankFile(bank, draw(st.none() | moments), draw(texts()), part)


@st.composite
def store_files(draw: st.DrawFn) -> StoreFile:
    """Any file of all banks of a store."""
    names = draw(st.lists(texts(1), min_size=1, max_size=3, unique=True))
    found = [evolve(draw(banks_with_passphrases()), name=name) for name in names]
    places = st.integers(0, len(names) - 1)
    return StoreFile(
        tuple(found),
        draw(st.frozensets(places)),
        draw(st.none() | places),
        draw(st.none() | moments),
        draw(texts()),
    )


_CONTROLS = tuple(f"c{n}" for n in range(12))
_PISTONS = tuple(f"p{n}" for n in range(6))


@st.composite
def consoles(draw: st.DrawFn) -> Console:
    """Small consoles that share some of their controls and pistons with each other."""
    controls = draw(st.lists(st.sampled_from(_CONTROLS), max_size=10, unique=True))
    pistons = draw(st.lists(st.sampled_from(_PISTONS), max_size=5, unique=True))
    some = st.lists(st.sampled_from(controls), unique=True) if controls else st.just([])
    kinds = st.sampled_from((Kind.GENERAL, Kind.GENERAL, Kind.FULL_ORGAN, Kind.GENERAL_CANCEL))
    return Console(
        format=1,
        name=draw(st.sampled_from(("Quay Chapel", "Harbour Pavilion"))),
        action=Action.LIT,
        levels=draw(st.integers(1, 4)),
        stops=tuple(Stop(id=id_, label=(id_.upper(),)) for id_ in controls),
        pistons=tuple(
            Piston(
                id=id_,
                label=(id_.upper(),),
                kind=draw(kinds),
                affects=Selection(controls=tuple(draw(some))),
            )
            for id_ in pistons
        ),
        crescendo=Crescendo(stages=(Stage(),) * draw(st.integers(0, 3))),
    )


@st.composite
def banks_of(draw: st.DrawFn, console: Console) -> Bank:
    """A bank of a console, with something in it, as its engine might have left it."""
    bank = fresh_bank(console, name=draw(texts()))
    combinations = st.builds(
        Combination,
        st.integers(0, bank.roster.everything),
        st.just(0) | st.integers(0, bank.roster.everything),
    )
    for piston in bank.pistons.values():
        if piston.kind == Kind.FULL_ORGAN:
            slots = [Slot(piston.id)]
        else:
            slots = [Slot(piston.id, number) for number in range(1, console.levels + 1)]
        for slot in slots:
            if draw(st.booleans()):
                bank.put(slot, draw(combinations))
    for stage in range(1, len(console.crescendo.stages) + 1):
        if draw(st.booleans()):
            bank.put(Slot(stage=stage), draw(combinations))
    if bank.pistons:
        bank.sequences = draw(
            st.dictionaries(texts(1), _steps(st.sampled_from(_PISTONS)), max_size=2)
        )
    return bank
