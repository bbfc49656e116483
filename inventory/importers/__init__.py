"""Files that are brought in: which kinds there are, what each row would do, and doing it.

:mod:`inventory.importers.kinds` is the register: an app adds an :class:`Importer` of its own kind and
gets the whole way of a file (reading, preview, confirmation, progress) for it.
:mod:`inventory.importers.runs` holds the steps of that way.
"""

from inventory.importers.kinds import Importer, Option, Verdict, importer_of, importers_for, register

__all__ = ["Importer", "Option", "Verdict", "importer_of", "importers_for", "register"]
