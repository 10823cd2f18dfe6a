/** Data quality of the network: by rule and unit, over time; nothing ranks units. Pure. */
import type { HeldCount, NetworkQuality, QualityRule, RuleTotal } from '../network-questions';

const RANK: Readonly<Record<QualityRule['severity'], number>> = { stop: 0, caution: 1, note: 2 };

/** What a rule found at one unit; null where the hub holds a small count back. */
export interface FoundAtUnit {
  unit: string;
  name: string;
  count: HeldCount;
  cases: HeldCount;
}

/** What a rule found in the network in one week; `isLeast` where a small count is held back. */
export interface FoundOnDay {
  on: string;
  count: number;
  isLeast: boolean;
}

const NOTHING: Omit<RuleTotal, 'rule'> = { found: 0, is_least: false, units: 0 };

/** Return what a rule found in all units. */
export function totalOf({ totals }: NetworkQuality, rule: string): RuleTotal {
  return totals.find((one) => one.rule === rule) ?? { rule, ...NOTHING };
}

const byName = (one: { name: string }, other: { name: string }) => (one.name < other.name ? -1 : 1);

/**
 * Return the rules that found something, what matters most first, then as they were told; and apart
 * from them those that found nothing in any unit.
 */
export function orderRules(quality: NetworkQuality): {
  found: QualityRule[];
  clean: QualityRule[];
} {
  const ordered = [...quality.rules].sort(
    (one, other) => RANK[one.severity] - RANK[other.severity],
  );
  const hasFound = ({ rule }: QualityRule) => totalOf(quality, rule).units > 0;
  return { found: ordered.filter(hasFound), clean: ordered.filter((one) => !hasFound(one)) };
}

/**
 * Return the units of a page where a rule found something, by name: a list by number would rank
 * them.
 */
export function foundAt({ units }: Pick<NetworkQuality, 'units'>, rule: string): FoundAtUnit[] {
  return units
    .map(({ unit, name, cases, counts }) => ({
      unit,
      name,
      cases,
      count: counts[rule] ?? null,
      counts,
    }))
    .filter(({ counts }) => rule in counts && counts[rule] !== 0)
    .map(({ unit, name, cases, count }) => ({ unit, name, cases, count }))
    .sort(byName);
}

/**
 * Return what a rule found over time, week by week, in the weeks in which as many units reported as
 * in the last one: where one was silent, fewer findings are no improvement.
 */
export function foundOverTime({ over_time: weeks }: NetworkQuality, rule: string): FoundOnDay[] {
  const units = weeks.at(-1)?.units;
  return weeks
    .filter((one) => one.units === units)
    .map(({ on, counts, at_least: least }) => ({
      on,
      count: counts[rule] ?? 0,
      isLeast: least.includes(rule),
    }));
}

/** Say which way a rule goes from the first day to the last; "" where that cannot be told. */
export function wayOf(days: readonly FoundOnDay[]): 'fewer' | 'more' | 'as-many' | '' {
  const [first, last] = [days[0], days.at(-1)];
  if (days.length < 2 || first === undefined || last === undefined) return '';
  if (first.isLeast || last.isLeast) return '';
  if (first.count === last.count) return 'as-many';
  return last.count < first.count ? 'fewer' : 'more';
}

/** One field and how many of its records have it, at one unit. */
export interface FilledField {
  field: string;
  filled: number;
  of: number;
}

/** Return the fields of a unit that were asked for, the least filled first; small ones left out. */
export function filledAt({ completeness }: NetworkQuality, unit: string): FilledField[] {
  return completeness
    .flatMap((one) =>
      one.unit !== unit || one.filled === null || one.of === null || one.of === 0
        ? []
        : [{ field: one.field, filled: one.filled, of: one.of }],
    )
    .sort(
      (one, other) =>
        one.filled * other.of - other.filled * one.of || (one.field < other.field ? -1 : 1),
    );
}

/** Return how many fields of a unit the hub holds back because they stand for few cases. */
export function heldBackAt({ completeness }: NetworkQuality, unit: string): number {
  return completeness.filter((one) => one.unit === unit && (one.filled === null || one.of === null))
    .length;
}

/** Return a share in hundredths, cut down: a field that lacks one case is never told as full. */
export function hundredths({ filled, of }: FilledField): number {
  return of === 0 ? 0 : Math.floor((100 * filled) / of);
}
