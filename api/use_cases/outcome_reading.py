"""One reading of outcomes: rows are counted a few times by SQL, and everything is told of that."""

from collections import Counter
from collections.abc import Callable

import msgspec

from api.outcomes.definitions import Amount, Definition, Windows, packaged_definitions
from api.outcomes.episode_rows import MARK_HAPPENED, MARK_NOT
from api.outcomes.proportions import score_interval
from api.outcomes.survival import Spell
from api.outcomes.verdict_counts import count_marks
from api.storage.outcome_rows import Choice, OutcomeRows
from api.use_cases.outcome_amounts import AMOUNTS, count_amount, tell_amount
from api.use_cases.outcome_cells import NONE, Cells, CellTable
from api.use_cases.outcome_curves import draw_competing, draw_curve, draw_limits, draw_sum
from api.use_cases.outcome_months import last_month, tell_months
from api.use_cases.outcome_report import (
    OutcomeReport,
    SourceCount,
    ToldAmount,
    ToldCurve,
    ToldFunnel,
    ToldMix,
    ToldOutcome,
    ToldSum,
    ToldUnit,
    UnitCount,
)

# Spread well above what chance explains; the number is a unit setting (project default).
_OVERDISPERSED = 2.0


class OutcomeReading:
    """Counts the rows that were chosen and tells what may be told of them."""

    def __init__(
        self,
        rows: OutcomeRows,
        choice: Choice,
        name: Callable[[str], str],
        limits: dict[str, float],
        *,
        hides: bool,
    ) -> None:
        """Begin a reading.

        Parameters
        ----------
        name : callable
            Returns the name of a unit.
        limits : dict
            Limits of sums by mix of risks; those played here are added.
        hides : bool
            Whether small groups are hidden (k = 5), and days moved, as where several units are
            told.
        """
        self._rows = rows
        self._choice = choice
        self._limits = limits
        self._hides = hides
        # Counts of one unit that stand in no table with those of the others: the others and the
        # sum would give away what is small.
        self._keeps_counts = hides and choice.unit != ""
        self._by = packaged_definitions()
        # Every unit, whichever is asked for: what is hidden depends on all.
        self._everywhere = msgspec.structs.replace(choice, unit="")
        counted = list(rows.by_unit(self._everywhere))
        cases: Counter[str] = Counter()
        windows: tuple[Counter[str], ...] = (Counter(), Counter(), Counter())
        for one in counted:
            cases[one.unit] += one.cases
            windows[0][one.unit] += one.kept
            windows[1][one.unit] += one.due - one.kept
            windows[2][one.unit] += one.without
        self._names = {unit: name(unit) for unit in cases}
        by_name = sorted(cases, key=lambda unit: (self._names[unit].casefold(), unit))
        self._table = CellTable({unit: cases[unit] for unit in by_name}, hides=hides)
        self._cases = cases[choice.unit] if choice.unit else cases.total()
        marks = count_marks(
            ((one.unit, one.verdicts, one.cases) for one in counted), len(self._by.rows)
        )
        self._cells = {
            one.outcome: {unit: Cells(*held[place]) for unit, held in marks.items()}
            for place, one in enumerate(self._by.rows)
        }
        # Windows are counted beside, not cases.
        self._cells[self._by.windows.outcome] = {
            unit: Cells(*(held[unit] for held in windows)) for unit in cases
        }
        self._amounts = [(*numbers, count) for numbers, count in rows.count(choice, *AMOUNTS)]

    def tell(self, mixes: list[ToldMix], *, now_ms: int, on: str) -> OutcomeReport:
        """Return everything; where the cases are too few to be told, next to nothing.

        Parameters
        ----------
        on : str
            Today, where it is counted.
        """
        choice = self._choice
        cases = self._tell_cases()
        defined: list[Definition | Windows] = [*self._by.rows, self._by.windows]
        outcomes = [self._tell_outcome(one) for one in defined]
        funnels = self._tell_funnels()
        sums = self._tell_sums() if cases else []
        rebleed, death = self._by.over_time
        spells: Counter[Spell] = Counter()
        sources: Counter[str] = Counter()
        deaths: Counter[Spell] = Counter()
        if cases:
            columns = ("rebleed_days", "rebleed_end", "source")
            for (days, end, bled_from), count in self._rows.count(choice, *columns):
                spells[Spell(days, end)] += count
                if bled_from:
                    sources[bled_from] += count
            for (days, end), count in self._rows.count(choice, "death_days", "death_end"):
                deaths[Spell(days, end)] += count
        curves = [
            self._curve(spells, rebleed, "free_of_rebleed"),
            self._curve(deaths, death, "alive"),
        ]
        causes = (rebleed.outcome, death.outcome)
        return OutcomeReport(
            as_of_ms=now_ms,
            from_on=choice.from_on,
            until_on=choice.until_on,
            unit=choice.unit,
            cases=cases,
            units=[
                ToldUnit(unit, self._names[unit], self._table.cases_of(unit))
                for unit in self._table.units
            ],
            mixes=mixes,
            outcomes=outcomes,
            sources=self._tell_sources(sources) if cases and not self._keeps_counts else [],
            survival=curves if cases else [],
            competing=(
                draw_competing(
                    spells,
                    rebleed,
                    causes,
                    hides=self._hides,
                    keeps_counts=self._keeps_counts,
                )
                if cases
                else None
            ),
            funnels=funnels,
            cusums=sums,
            amounts=[self._tell_amount(one, is_told=bool(cases)) for one in self._by.amounts],
            months=(
                tell_months(
                    self._rows.count(choice, "month", "verdicts"),
                    [one.outcome for one in self._by.rows],
                    self._table,
                    last=last_month(on, from_on=choice.from_on),
                )
                if cases and not self._keeps_counts
                else []
            ),
            cautions=self._caution(outcomes, funnels, sums),
        )

    def _curve(self, spells: Counter[Spell], by: Definition, named: str) -> ToldCurve:
        return draw_curve(
            spells, by, named=named, hides=self._hides, keeps_counts=self._keeps_counts
        )

    def _tell_cases(self) -> int | None:
        """Return the cases shown, None where they may not be told."""
        if self._choice.unit:
            return self._table.cases_of(self._choice.unit)
        return None if self._table.hides(self._cases) else self._table.tell(self._cases)

    def _tell_outcome(self, by: Definition | Windows) -> ToldOutcome:
        cells = self._cells[by.outcome]
        told = self._table.tell_units(cells)
        unit = self._choice.unit
        total = told.get(unit, NONE) if unit else self._table.tell_total(cells)
        band = (
            score_interval(total.happened, total.judged)
            if total is not None and total.judged
            else (None, None)
        )
        return ToldOutcome(
            outcome=by.outcome,
            group=by.group,
            definition=by.definition,
            source=by.source,
            basis=by.basis,
            happened=None if total is None else total.happened,
            judged=None if total is None else total.judged,
            missing=None if total is None else total.missing,
            not_due=None if total is None else total.not_due,
            low=band[0],
            high=band[1],
            suppressed=total is None,
            counted="windows" if isinstance(by, Windows) else "cases",
            by_unit=[
                UnitCount(one, None, None, None, None, suppressed=True)
                if held is None
                else UnitCount(
                    one,
                    held.happened,
                    held.judged,
                    held.missing,
                    held.not_due,
                    suppressed=False,
                )
                for one, held in told.items()
            ],
        )

    def _tell_funnels(self) -> list[ToldFunnel]:
        """Return all units around the share of all, also where one alone is asked for."""
        found = []
        for by in self._by.rows:
            cells = self._cells[by.outcome]
            total = self._table.tell_total(cells)
            funnel = (
                draw_limits(self._table.tell_units(cells), total, by, hides=self._hides)
                if total is not None
                else None
            )
            if funnel is not None:
                found.append(funnel)
        return found

    def _tell_sums(self) -> list[ToldSum]:
        """Return sums of the one unit that is shown, in the true order of its treatments.

        None where others read it: days are moved there for each patient, and in their order a
        run of bad cases falls apart (OC10).
        """
        if self._hides:
            return []
        by, units = self._by.sums, self._table.units
        unit = self._choice.unit or (units[0] if len(units) == 1 else "")
        if not unit:
            return []
        groups = list(self._rows.count(self._everywhere, *by.risk_by, "verdicts"))
        of_unit = msgspec.structs.replace(self._choice, unit=unit)
        cases = self._rows.in_order(of_unit, *by.risk_by, "verdicts", "month")
        width = len(by.risk_by)
        found = []
        for place, one in enumerate(self._by.rows):
            is_summed = one.outcome in by.outcomes
            if not is_summed or self._table.tell_units(self._cells[one.outcome])[unit] is None:
                continue
            risks: dict[tuple[str, ...], tuple[int, int]] = {}
            for (*group, verdicts), count in groups:
                happened, judged = risks.get(tuple(group), (0, 0))
                mark = verdicts[place]
                risks[tuple(group)] = (
                    happened + (count if mark == MARK_HAPPENED else 0),
                    judged + (count if mark in (MARK_HAPPENED, MARK_NOT) else 0),
                )
            drawn = draw_sum(
                risks,
                [(tuple(row[:width]), row[width][place], row[width + 1]) for row in cases],
                by,
                self._limits,
                unit=unit,
                outcome=one.outcome,
            )
            if drawn is not None:
                found.append(drawn)
        return found

    def _tell_sources(self, counts: Counter[str]) -> list[SourceCount]:
        told = self._table.tell_parts(dict(sorted(counts.items())))
        return [SourceCount(source, count) for source, count in told.items()]

    def _tell_amount(self, by: Amount, *, is_told: bool) -> ToldAmount:
        counts, missing = count_amount(self._amounts, by.amount)
        if by.amount == "sessions":
            # Told once for each patient: whoever has none is missing as one.
            missing = self._rows.patients(self._choice) - counts.total()
        hides = self._table.hides(counts.total()) or self._table.hides(missing)
        return tell_amount(
            by,
            counts,
            self._table.tell(missing),
            is_told=is_told and not hides,
            cases=None if self._keeps_counts else self._table.tell(counts.total()),
        )

    def _caution(
        self, outcomes: list[ToldOutcome], funnels: list[ToldFunnel], sums: list[ToldSum]
    ) -> list[str]:
        is_spread = any((one.dispersion or 0.0) > _OVERDISPERSED for one in funnels)
        is_hidden = any(
            one.suppressed or any(unit.suppressed for unit in one.by_unit) for one in outcomes
        )
        said = {
            "shifted-dates": self._hides,
            "hidden-groups": is_hidden,
            "rounded-counts": self._hides,
            "overdispersed": is_spread,
            "own-rates": bool(sums),
        }
        return [caution for caution, holds in said.items() if holds]
