/**
 * Sizing: coils for each target, the needle's stop and dead space, the adhesive and its flush.
 * Twin of `sizing.py`; vectors in `tests/conformance/sizing`. Rules SZ, AD and GE.
 */
import { findDeadSpace, planAdhesive, readFlushRow, warnOfAdhesive } from './adhesive';
import {
  type CountRow,
  type LimitOf,
  loopBandUm,
  passNeedle,
  readCountRow,
  readWireGaugeRow,
  shareStock,
} from './coil-picks';
import { CalculationRefusedError, RuleFileError } from './errors';
import { ellipsoidUl, packingPerMille } from './geometry';
import { nameRuleFiles, type RuleBook } from './rule-book';
import { pathOf, refuseGapsAndOverlaps, rowShape } from './rule-file';
import { text } from './shapes';
import type {
  AdhesivePlan,
  Basis,
  Caution,
  Missing,
  Passes,
  Refusal,
  SizedCoils,
  SizedTarget,
  SizingAnswer,
} from './sizing-answer';
import { nameInputs } from './sizing-inputs';
import { limitsOf, nameBasis, readLimitRow } from './sizing-limits';
import { warnOfSizes } from './sizing-remarks';
import { type Coil, type Needle, readRequest, refuseDoubles, type Target } from './sizing-request';
import { nameUsualBands } from './value-cautions';

export type * from './sizing-answer';

const readCautionRow = rowShape({ id: text, level: text, text });

const LEVELS = ['stop', 'caution', 'note'];
const FULL_PER_MILLE = 1000;
export const NOTHING_TEXT =
  'Nothing could be calculated. ' +
  "Add a target with its short axis and origin, the needle's prime, or an adhesive.";

/**
 * Return coils, needle and adhesive for a plan.
 *
 * @param request - parsed JSON with the keys of `sizing`
 * @throws ShapeError when a key or type is wrong, or a coil's id or a target's label stands twice
 * @throws CalculationRefusedError when nothing at all could be calculated
 * @throws RuleFileError when coil counts leave a gap, or a limit or flush row is missing
 */
export function answerSizing(request: unknown, ruleBook: RuleBook): SizingAnswer {
  const read = readRequest(request, '');
  const counts = ruleBook.ruleFile('sizing/coil_counts', readCountRow);
  const gauges = ruleBook.ruleFile('sizing/wire_gauges', readWireGaugeRow);
  const limits = ruleBook.ruleFile('sizing/limits', readLimitRow);
  const media = ruleBook.ruleFile('sizing/flush_media', readFlushRow);
  const remarks = ruleBook.ruleFile('sizing/cautions', readCautionRow);
  refuseGapsAndOverlaps(
    pathOf(counts),
    counts.rows.map(({ from_um, below_um }) => [from_um, below_um]),
    { unit: 'um', belowKey: 'below_um' },
  );
  const limitOf = limitsOf(limits);
  const { needle, targets, coils_in_stock: stock = [] } = read;
  const ids = stock.map(({ id }) => id);
  const labels = targets.map(({ label }) => label);
  refuseDoubles(ids, 'coils_in_stock', 'id');
  refuseDoubles(labels, 'targets', 'label');
  const passes = passNeedle(stock, needle, gauges.rows);
  const raised = warnOfNeedle(needle, passes);
  const rowsFound = targets.map((target) => findRow(target, counts.rows));
  const wanted = targets.map((target, place) => {
    const row = rowsFound[place];
    if (row === undefined || target.origin === undefined) return null;
    return { axisUm: target.short_axis_um, row };
  });
  const picks = shareStock(wanted, limitOf, stock, passes);
  const sized = targets.map((target, place) =>
    sizeTarget(
      target,
      rowsFound[place],
      counts.rows,
      picks[place] ?? [],
      limitOf,
      needle ?? {},
      raised,
    ),
  );
  const deadSpace = findDeadSpace(needle ?? {});
  let adhesive: AdhesivePlan | null = null;
  if (read.adhesive !== undefined) {
    const row = media.rows.find(({ agent }) => agent === read.adhesive?.agent);
    if (row === undefined) {
      throw new RuleFileError(
        `Rule file ${pathOf(media)} has no row ${read.adhesive.agent}. Add it.`,
      );
    }
    adhesive = planAdhesive(read.adhesive, row, limitOf, deadSpace.dead_space_ul);
    const known = new Set(remarks.rows.map(({ id }) => id));
    for (const id of warnOfAdhesive(read.adhesive, read, limitOf, known)) raised.add(id);
  }
  const found: Caution[] = [
    ...remarks.rows
      .filter((row) => raised.has(row.id))
      .map((row) => ({
        id: row.id,
        level: row.level as Caution['level'],
        text: row.text,
        ...basisOf(row),
      })),
    ...warnOfSizes(read, ruleBook),
  ];
  const answer = {
    targets: sized,
    needle: { ...deadSpace, passes },
    adhesive,
    cautions: found.sort((a, b) => LEVELS.indexOf(a.level) - LEVELS.indexOf(b.level)),
    basis: nameBasis(limits),
    inputs: nameInputs(read, sized, deadSpace),
    rule_files: [
      ...nameRuleFiles(counts, gauges, limits, media, remarks),
      ...nameUsualBands(ruleBook),
    ],
  };
  const hasNumber =
    typeof adhesive?.aliquot_ul === 'number' ||
    typeof deadSpace.dead_space_ul === 'number' ||
    sized.some(
      ({ coils, volume_ul, needle_stop_um }) =>
        'picks' in coils || typeof volume_ul === 'number' || typeof needle_stop_um === 'number',
    );
  if (!hasNumber) throw new CalculationRefusedError(NOTHING_TEXT, answer);
  return answer;
}

function basisOf(row: { basis?: string; source?: string }): Basis {
  return { basis: row.basis ?? null, source: row.source ?? null };
}

function warnOfNeedle(needle: Needle | undefined, passes: Passes): Set<string> {
  const raised = new Set<string>();
  const told = Object.values(passes);
  if (told.length > 0 && needle === undefined) raised.add('needle-unknown');
  if (told.length > 0 && needle !== undefined && needle.inner_diameter_um === undefined) {
    raised.add('lumen-unknown');
  }
  if (told.includes(false)) raised.add('wire-too-thick');
  return raised;
}

function findRow(target: Target, rows: readonly CountRow[]): CountRow | undefined {
  const axisUm = target.short_axis_um;
  return rows.find(({ from_um, below_um }) => from_um <= axisUm && axisUm < below_um);
}

function sizeTarget(
  target: Target,
  row: CountRow | undefined,
  rows: readonly CountRow[],
  picks: readonly Coil[],
  limitOf: LimitOf,
  needle: Partial<Needle>,
  raised: Set<string>,
): SizedTarget {
  let coils: SizedTarget['coils'];
  if (target.origin === undefined) {
    coils = { missing: ['origin'] };
  } else if (row === undefined) {
    coils = refuse('outside-domain', sayDomain(rows));
  } else {
    coils = describeCoils(target.short_axis_um, row, picks, limitOf, raised);
    if (target.origin === 'estimated') raised.add('estimated-size');
    if (target.origin === 'earlier-record') raised.add('earlier-size');
  }
  return {
    label: target.label,
    axis_used: 'short',
    axis_um: target.short_axis_um,
    origin: target.origin ?? null,
    coils,
    ...fillOf(target, row, rows, picks, raised),
    needle_stop_um: stopOf(target, needle, limitOf),
  };
}

function describeCoils(
  axisUm: number,
  row: CountRow,
  picks: readonly Coil[],
  limitOf: LimitOf,
  raised: Set<string>,
): SizedCoils {
  const [low, high] = loopBandUm(axisUm, limitOf);
  const [first] = picks;
  let reason: SizedCoils['reason'] = 'none-fits';
  if (first !== undefined) reason = first.loop_um >= low ? 'in-band' : 'largest-stocked';
  raised.add(row.to_coils === 0 ? 'below-range' : 'doppler-after-each');
  if (row.to_coils > 0 && first === undefined) raised.add('none-fits');
  if (first !== undefined && picks.length < row.from_coils) raised.add('stock-short');
  if (reason === 'largest-stocked') {
    raised.add('migration');
    if (first !== undefined && first.loop_um < axisUm) raised.add('loop-below-axis');
  }
  const isThin = ({ loop_um, wire_um }: Coil) =>
    loop_um > limitOf('thick_wire_above_loop_um') && wire_um < limitOf('thick_wire_um');
  if (picks.some(isThin)) raised.add('thin-wire');
  return {
    from: row.from_coils,
    to: row.to_coils,
    loop_band_um: [low, high],
    picks: picks.map(({ id }) => id),
    reason,
    ...basisOf(row),
  };
}

function sayDomain(rows: readonly CountRow[]): string {
  const least = Math.floor((rows[0]?.from_um ?? 0) / 1000);
  const most = Math.floor(((rows.at(-1)?.below_um ?? 1) - 1) / 1000);
  return `No figure: the protocol covers ${least} to ${most} mm. You can write your own plan.`;
}

/** The volume of the varix and how densely the picks would fill it (SZ11, GE4). */
function fillOf(
  target: Target,
  row: CountRow | undefined,
  rows: readonly CountRow[],
  picks: readonly Coil[],
  raised: Set<string>,
): Pick<SizedTarget, 'volume_ul' | 'packing_per_mille_from_to' | 'third_axis_from'> {
  const { short_axis_um: short, long_axis_um: long, third_axis_um: third } = target;
  if (short > Math.min(long ?? short, third ?? short)) raised.add('axes-order');
  if (long === undefined) {
    const missing = { missing: ['long_axis_um'] };
    return { volume_ul: missing, packing_per_mille_from_to: missing };
  }
  const axes = [short, long, third ?? short] as const;
  if (Math.max(...axes) >= (rows.at(-1)?.below_um ?? 0)) {
    const outside = refuse('outside-domain', sayDomain(rows));
    return { volume_ul: outside, packing_per_mille_from_to: outside };
  }
  const volume = {
    volume_ul: ellipsoidUl(...axes),
    third_axis_from: third === undefined ? ('short-axis' as const) : ('given' as const),
  };
  if (axes.includes(0) || picks.length === 0 || row === undefined) {
    return { ...volume, packing_per_mille_from_to: { missing: ['coils.picks'] } };
  }
  const packing: [number, number] = [
    packingPerMille(picks.slice(0, row.from_coils), axes),
    packingPerMille(picks, axes),
  ];
  if (packing[1] > FULL_PER_MILLE) {
    const words = 'More metal than the varix holds. Check the axes and the coils.';
    return { ...volume, packing_per_mille_from_to: refuse('implausible', words) };
  }
  raised.add('packing-information');
  return { ...volume, packing_per_mille_from_to: packing };
}

/** The needle stop: distance less margin, down to the needle's step (SZ9, SZ10). */
export function stopOf(
  target: Pick<Target, 'measured_distance_um' | 'near_wall_um' | 'far_wall_um'>,
  needle: Pick<Needle, 'stop_step_um'>,
  limitOf: LimitOf,
): number | Missing | Refusal {
  const step = needle.stop_step_um ?? 0;
  const missing = [
    ...(target.measured_distance_um === undefined ? ['measured_distance_um'] : []),
    ...(step < 1 ? ['needle.stop_step_um'] : []),
  ];
  if (missing.length > 0 || target.measured_distance_um === undefined) return { missing };
  const room = target.measured_distance_um - limitOf('stop_margin_um');
  const stop = Math.floor(room / step) * step;
  const { near_wall_um: near, far_wall_um: far } = target;
  if (stop <= 0) {
    return refuse('too-short', 'The measured distance is too short for a stop. Measure again.');
  }
  if (near !== undefined && stop <= near) {
    return refuse('before-near-wall', 'The stop would lie before the near wall. Measure again.');
  }
  if (far !== undefined && stop >= far) {
    return refuse('beyond-far-wall', 'The stop would reach the far wall. Measure again.');
  }
  return stop;
}

function refuse(kind: string, words: string): Refusal {
  return { refusal: { kind, text: words } };
}
