"""Operations: one file per family, each operation one class of settings, measure, reach and apply.

Importing the package imports every module in it, so an operation exists by being defined in a file here.
"""

from importlib import import_module
from pkgutil import iter_modules

for _module in sorted(m.name for m in iter_modules(__path__)):
    import_module(f"{__name__}.{_module}")
