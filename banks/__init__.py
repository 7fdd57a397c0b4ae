"""Memory on disk: the living store, bank files that travel, and what can be done with a bank.

A `Store` keeps the banks of a console's players and all that they ever were (`History`); a
`Keeper` writes to it while the console is played. `BankFile` is a bank as it travels; `encode` and
`decode` are its bytes (`FORMAT.md`), `write_bank_file` and `read_bank_file` put them on disk.
`fit_to` says what of a bank a console will not play, `compare` how two banks differ, `merge` makes
two into one, and `banks.editing` has what an organist does to a bank away from the console.
"""

from banks.bankfile import BankFile, BankFileError, StoreFile, decode, decode_any, encode
from banks.comparing import Comparison, compare
from banks.database import StoreBusyError, StoreDamagedError, StoreError
from banks.editing import BankEditError
from banks.files import read_any, read_bank_file, write_bank_file
from banks.fit import Fit, fit_to
from banks.history import History
from banks.keeping import Keeper
from banks.merging import merge
from banks.parts import Part, part_of, put_part
from banks.store import Store, create_store

__all__ = [
    "BankEditError",
    "BankFile",
    "BankFileError",
    "Comparison",
    "Fit",
    "History",
    "Keeper",
    "Part",
    "Store",
    "StoreBusyError",
    "StoreDamagedError",
    "StoreError",
    "StoreFile",
    "compare",
    "create_store",
    "decode",
    "decode_any",
    "encode",
    "fit_to",
    "merge",
    "part_of",
    "put_part",
    "read_any",
    "read_bank_file",
    "write_bank_file",
]
