/**
 * Which stocked coils a plan starts with: the loop band, the needle's lumen and the stock.
 * Twin of `coil_picks.py`.
 *
 * The stock is one for all targets: a coil planned for one of them is not there for the next.
 */

import { rowShape } from './rule-file';
import { naturalNumber } from './shapes';
import type { Passes } from './sizing-answer';
import type { Coil, Needle } from './sizing-request';

/** How many coils to start with from one axis on and below another. */
export const readCountRow = rowShape({
  from_um: naturalNumber,
  below_um: naturalNumber,
  from_coils: naturalNumber,
  to_coils: naturalNumber,
});

/** The finest gauge that a wire up to a thickness goes through, from thin to thick. */
export const readWireGaugeRow = rowShape({
  wire_up_to_um: naturalNumber,
  gauge_at_most: naturalNumber,
});

export type CountRow = ReturnType<typeof readCountRow>;
type WireGaugeRow = ReturnType<typeof readWireGaugeRow>;

/** Returns the amount of an item of `sizing/limits`; one that is missing is a fault of the file. */
export interface LimitOf {
  (item: string): number;
  /** Say whether the rule file has an item at all: an older one may lack it. */
  has(item: string): boolean;
}

/** Return the loop band: its lower bound rounded up, its upper one down (SZ3). */
export function loopBandUm(axisUm: number, limitOf: LimitOf): [number, number] {
  return [
    Math.ceil((axisUm * limitOf('loop_low_per_mille')) / 1000),
    Math.floor((axisUm * limitOf('loop_high_per_mille')) / 1000),
  ];
}

/**
 * Say of each coil whether its wire passes; null while no needle is chosen (SZ8).
 *
 * A measured lumen decides; without one the gauge does, by published pairs of wire and needle.
 */
export function passNeedle(
  stock: readonly Coil[],
  needle: Needle | undefined,
  gauges: readonly WireGaugeRow[],
): Passes {
  const passes = ({ wire_um: wireUm }: Coil): boolean | null => {
    if (needle === undefined) return null;
    if (needle.inner_diameter_um !== undefined) return wireUm < needle.inner_diameter_um;
    const row = gauges.find(({ wire_up_to_um }) => wireUm <= wire_up_to_um);
    return row !== undefined && needle.gauge <= row.gauge_at_most;
  };
  return Object.fromEntries(stock.map((coil) => [coil.id, passes(coil)]));
}

/**
 * Return the coils of each target from first to last (SZ4-SZ7, SZ13).
 *
 * Every target gets the lower end of its range before any gets the upper one.
 *
 * @param wanted - axis and row of each target; null where nothing is to be picked
 */
export function shareStock(
  wanted: readonly ({ axisUm: number; row: CountRow } | null)[],
  limitOf: LimitOf,
  stock: readonly Coil[],
  passes: Passes,
): Coil[][] {
  const left = new Map(
    stock.filter(({ id }) => passes[id] !== false).map(({ id, count }) => [id, count]),
  );
  const picks: Coil[][] = wanted.map(() => []);
  for (const end of ['from_coils', 'to_coils'] as const) {
    for (const [place, target] of wanted.entries()) {
      const own = picks[place];
      if (target === null || own === undefined) continue;
      while (own.length < target.row[end]) {
        const usable = stock.filter(({ id }) => (left.get(id) ?? 0) > 0);
        const chosen = nextPick(target.axisUm, limitOf, usable, own);
        if (chosen === undefined) break;
        left.set(chosen.id, (left.get(chosen.id) ?? 0) - 1);
        own.push(chosen);
      }
    }
  }
  return picks;
}

/** The next coil of a target; the first of equal loops as the stock lists them. */
function nextPick(
  axisUm: number,
  limitOf: LimitOf,
  usable: readonly Coil[],
  picks: readonly Coil[],
): Coil | undefined {
  const [low, high] = loopBandUm(axisUm, limitOf);
  const [first] = picks;
  const last = picks.at(-1);
  if (first === undefined || last === undefined) {
    const inBand = usable.filter(({ loop_um }) => low <= loop_um && loop_um <= high);
    const largest = widest(usable.filter(({ loop_um }) => loop_um < low));
    // A loop smaller than the varix is told only where it truly is the largest there is.
    const isTooSmall = largest !== undefined && largest.loop_um < axisUm;
    const hasLarger = usable.some(({ loop_um }) => loop_um > high);
    return narrowest(inBand) ?? (isTooSmall && hasLarger ? undefined : largest);
  }
  // A loop narrower than the varix would not hold on its wall; one wider than the first
  // would not unfold in what the first left open.
  const least = Math.min(axisUm, first.loop_um);
  return widest(usable.filter(({ loop_um }) => least <= loop_um && loop_um <= last.loop_um));
}

function widest(coils: readonly Coil[]): Coil | undefined {
  return coils.reduce<Coil | undefined>(
    (found, coil) => (found === undefined || coil.loop_um > found.loop_um ? coil : found),
    undefined,
  );
}

function narrowest(coils: readonly Coil[]): Coil | undefined {
  return coils.reduce<Coil | undefined>(
    (found, coil) => (found === undefined || coil.loop_um < found.loop_um ? coil : found),
    undefined,
  );
}
