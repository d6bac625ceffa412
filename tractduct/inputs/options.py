"""The options of a plan, the combinations that are built, and cells that hang on them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from tractduct.inputs.cells import CellProblem, nearest
from tractduct.inputs.limits import MAX_COMBINATIONS
from tractduct.inputs.plan_file import PlanFile
from tractduct.inputs.table_reader import RowReader, TableReader
from tractduct.model.options import Built, Condition, Option, count_combinations, every_combination
from tractduct.model.words import by_key, key_of

_AND = re.compile(r"\s+and\s+", re.IGNORECASE)
_NOT = re.compile(r"not\s+", re.IGNORECASE)
_WORDS = re.compile(r"not\s|.*(\sand\s|[+;])", re.IGNORECASE)  # what a name may not look like


@dataclass(frozen=True, slots=True)
class Choices:
    """A plan's options and the combinations that it is sized for; without options one combination, of none.

    Of options that can't be read there is no combination, and cells that name them are not checked.
    """

    options: tuple[Option, ...] = ()
    combinations: tuple[Built, ...] = ((),)
    is_unread: bool = False

    def condition(self, row: RowReader) -> Condition:
        """What the row's cell ``option`` says; empty, and a fault, where it can't be."""
        return row.parsed("option", self._condition) or ()

    def of_lot(self, row: RowReader) -> Built:
        """The options that a lot is built with: a combination that the plan is sized for, or a fault."""
        return row.parsed("options", self._of_lot) or ()

    def built(self, names: Sequence[str]) -> Built:
        """The options of these names. CellProblem where one is unknown, or two exclude each other."""
        known = by_key(o.name for o in self.options)
        unknown = [name for name in names if key_of(name) not in known]
        if unknown:
            remedy = nearest(unknown[0], known.values()) if known else "Add it to options.csv, or leave the cell empty"
            raise CellProblem("the options table has no option " + ", ".join(f"'{name}'" for name in unknown), remedy)
        wanted = {known[key_of(name)] for name in names}
        first: dict[str, str] = {}
        for option in self.options:
            if option.name in wanted and option.group and first.setdefault(option.group, option.name) != option.name:
                two = f"'{first[option.group]}' and '{option.name}'"
                problem = f"{two} are both of group {option.group}: at most one is built"
                raise CellProblem(problem, "Keep one of them")
        return tuple(o.name for o in self.options if o.name in wanted)

    def _condition(self, text: str) -> Condition:
        if self.is_unread:
            return ((text, True),) if text else ()
        found: dict[str, bool] = {}
        for part in _AND.split(text) if text else ():
            wanted = _NOT.match(part) is None
            (name,) = self.built([part if wanted else _NOT.sub("", part, count=1)])
            if found.setdefault(name, wanted) != wanted:
                raise CellProblem(f"'{name}' can't be built and not built at once", "Keep one of the two")
        self.built([name for name, wanted in found.items() if wanted])
        return tuple((o.name, found[o.name]) for o in self.options if o.name in found)

    def _of_lot(self, text: str) -> Built:
        if self.is_unread:
            return ()
        built = self.built([part.strip() for part in text.split("+") if part.strip()])
        if self.combinations and built not in self.combinations:
            problem = f"the plan is not sized for a house with {' + '.join(built) or 'no option'}"
            raise CellProblem(problem, "Add that combination to [variants] options in plan.toml")
        return built


def read_options(table: TableReader, plan_file: PlanFile) -> Choices:
    """The options table, and the combinations that [variants] wants of it."""
    given = plan_file.part("variants").get("options")
    if table.is_unread:
        return Choices(combinations=(), is_unread=True)
    if not table.is_given:
        if given is not None:
            problem = "the plan has no options table"
            plan_file.fault("variants", "options", problem, "Add options.csv, or leave the key out", given)
        return Choices()
    options = []
    for row in table:
        name = row.own_name("option")
        if _WORDS.match(name):
            row.fault("option", "a name can't begin with 'not', nor hold 'and', + or ;", "Rename it")
        elif name:
            options.append(Option(name=name, group=row.text("group"), meaning=row.text("meaning")))
    choices = Choices(tuple(options), ())
    return replace(choices, combinations=_combinations(choices, given, plan_file))


def _combinations(choices: Choices, given: object, plan_file: PlanFile) -> tuple[Built, ...]:
    """Those that [variants] lists, each once and each possible, or all; none, and a fault, where they are too many."""
    is_listed = given is not None and given != "all"
    count = len(plan_file.listed("variants", "options") or ()) if is_listed else count_combinations(choices.options)
    if count > MAX_COMBINATIONS:
        problem, remedy = f"{count:,} combinations are listed", "Leave out those that are not sold"
        if not is_listed:
            problem = f"the options allow {count:,} combinations"
            remedy = 'List those that are sold, options = [[], ["bay"], ...], or put options that exclude each other '
            remedy += "into one group"
        problem += f"; at most {MAX_COMBINATIONS} are sized together"
        plan_file.fault("variants", "options", problem, remedy)
        return ()
    if not is_listed:
        return tuple(every_combination(choices.options))

    def listed(names: object) -> Built:
        if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
            remedy = 'Write options = [[], ["bay"], ["bay", "bonus"]], or "all"; on sheet plan none; bay; bay + bonus'
            raise CellProblem("expected a list of lists of names", remedy)
        return choices.built(names)

    return tuple(plan_file.each("variants", "options", listed) or ())
