"""Memory on disk: bank files that travel, how they fit a console, and how two of them differ.

`BankFile` is a bank as it travels; `encode` and `decode` are its bytes (`FORMAT.md`),
`write_bank_file` and `read_bank_file` put them on disk. `fit_to` says what of a bank a console
will not play, `compare` how two banks differ, and `banks.editing` has what an organist does to
a bank away from the console.
"""

from banks.bankfile import BankFile, BankFileError, decode, encode
from banks.comparing import Comparison, compare
from banks.editing import BankEditError
from banks.files import read_bank_file, write_bank_file
from banks.fit import Fit, fit_to

__all__ = [
    "BankEditError",
    "BankFile",
    "BankFileError",
    "Comparison",
    "Fit",
    "compare",
    "decode",
    "encode",
    "fit_to",
    "read_bank_file",
    "write_bank_file",
]
