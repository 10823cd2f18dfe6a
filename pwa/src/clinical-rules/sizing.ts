/**
 * Sizing: coils for each target, the needle's stop and dead space, the adhesive and its flush.
 * Twin of `sizing.py`; vectors in `tests/conformance/sizing`. Rules SZ, AD and GE.
 */
import { divideHalfUp, ellipsoidUl, leavesTipUl, lumenUl, packingPerMille } from './geometry';
import { nameRuleFiles, type RuleBook } from './rule-book';
import { rowShape } from './rule-file';
import { listOf, naturalNumber, oneOf, shape, text } from './shapes';

const readTarget = shape(
  { label: text, short_axis_um: naturalNumber },
  {
    long_axis_um: naturalNumber,
    third_axis_um: naturalNumber,
    measured_distance_um: naturalNumber,
    near_wall_um: naturalNumber,
    far_wall_um: naturalNumber,
    origin: oneOf('measured', 'estimated', 'earlier-record'),
  },
);
const readNeedle = shape(
  { gauge: naturalNumber },
  {
    inner_diameter_um: naturalNumber,
    length_um: naturalNumber,
    prime_ul: naturalNumber,
    stop_step_um: naturalNumber,
  },
);
const readCoil = shape({
  id: text,
  loop_um: naturalNumber,
  wire_um: naturalNumber,
  length_um: naturalNumber,
  count: naturalNumber,
});
const readAdhesive = shape(
  {
    agent: oneOf('2-octyl-cyanoacrylate', 'n-butyl-2-cyanoacrylate'),
    parts_adhesive: naturalNumber,
    parts_oil: naturalNumber,
  },
  { planned_ul: naturalNumber },
);
const readRequest = shape(
  { targets: listOf(readTarget) },
  {
    needle: readNeedle,
    coils_in_stock: listOf(readCoil),
    adhesive: readAdhesive,
    given_so_far_ul: naturalNumber,
    shunt: oneOf('none', 'present', 'unknown'),
    right_to_left_shunt: oneOf('no', 'yes', 'unknown'),
  },
);
const readCountRow = rowShape({
  from_um: naturalNumber,
  below_um: naturalNumber,
  from_coils: naturalNumber,
  to_coils: naturalNumber,
});
const readLimitRow = rowShape({ item: text, amount: naturalNumber });
const readFlushRow = rowShape({ agent: text, media: listOf(text) });
const readCautionRow = rowShape({ id: text, level: text, text });

type Target = ReturnType<typeof readTarget>;
type Coil = ReturnType<typeof readCoil>;
type Request = ReturnType<typeof readRequest>;
type Needle = Partial<ReturnType<typeof readNeedle>>;
type Adhesive = ReturnType<typeof readAdhesive>;
type CountRow = ReturnType<typeof readCountRow>;
type Limits = Readonly<Record<string, number>>;
type Passes = Record<string, boolean | null>;

/** A part that lacks inputs names them. */
export interface Missing {
  missing: string[];
}
/** A part outside the domain says why there is no number. */
export interface Refusal {
  refusal: { kind: string; text: string };
}
interface Basis {
  basis: string | null;
  source: string | null;
}

export interface SizedCoils extends Basis {
  from: number;
  to: number;
  loop_band_um: [number, number];
  picks: string[];
  reason: 'in-band' | 'largest-stocked' | 'none-fits' | 'below-range';
}

export interface SizedTarget {
  label: string;
  axis_used: 'short';
  axis_um: number;
  origin: string | null;
  coils: SizedCoils | Missing | Refusal;
  volume_ul: number | Missing;
  third_axis_from?: 'given' | 'short-axis';
  packing_per_mille_from_to: [number, number] | Missing;
  needle_stop_um: number | Missing | Refusal;
}

export interface AdhesivePlan extends Basis {
  flush_media: string[];
  pure_ul: number | Missing | Refusal;
  mix_ul: number | Missing | Refusal;
  aliquot_ul: number;
  aliquot_ms: number;
  flush_ul: number | Missing | Refusal;
  leaves_tip_before_flush_ul: number | Missing | Refusal;
}

export interface Caution extends Basis {
  id: string;
  level: 'stop' | 'caution' | 'note';
  text: string;
}

export interface SizingAnswer {
  targets: SizedTarget[];
  needle: {
    dead_space_ul: number | Missing | Refusal;
    dead_space_from: 'measured-prime' | 'computed' | null;
    passes: Passes;
  };
  adhesive: AdhesivePlan | null;
  cautions: Caution[];
  rule_files: { name: string; version: number; sha256: string }[];
}

const LEVELS = ['stop', 'caution', 'note'];
const LONGEST_UM = 10_000_000;

/**
 * Return coils, needle and adhesive for a plan.
 *
 * @param request - parsed JSON with the keys of `sizing`
 * @throws ShapeError when a key or type is wrong
 */
export function answerSizing(request: unknown, ruleBook: RuleBook): SizingAnswer {
  const read = readRequest(request, '');
  const counts = ruleBook.ruleFile('sizing/coil_counts', readCountRow);
  const limits = ruleBook.ruleFile('sizing/limits', readLimitRow);
  const media = ruleBook.ruleFile('sizing/flush_media', readFlushRow);
  const remarks = ruleBook.ruleFile('sizing/cautions', readCautionRow);
  const limit: Limits = Object.fromEntries(limits.rows.map((row) => [row.item, row.amount]));
  const needle: Needle = read.needle ?? {};
  const stock = read.coils_in_stock ?? [];
  const passes = passLumen(stock, needle);
  const raised = new Set<string>();
  const targets = read.targets.map((target) =>
    sizeTarget(target, counts.rows, limit, stock, passes, needle, raised),
  );
  const deadSpace = deadSpaceOf(needle);
  const adhesive = read.adhesive
    ? planAdhesive(read.adhesive, media.rows, limit, deadSpace.dead_space_ul, read, raised)
    : null;
  if (stock.length > 0 && needle.inner_diameter_um === undefined) raised.add('lumen-unknown');
  if (Object.values(passes).includes(false)) raised.add('wire-too-thick');
  const cautions = remarks.rows
    .filter((row) => raised.has(row.id))
    .map((row) => ({
      id: row.id,
      level: row.level as Caution['level'],
      text: row.text,
      ...basisOf(row),
    }))
    .sort((a, b) => LEVELS.indexOf(a.level) - LEVELS.indexOf(b.level));
  return {
    targets,
    needle: { ...deadSpace, passes },
    adhesive,
    cautions,
    rule_files: nameRuleFiles(counts, limits, media, remarks),
  };
}

function basisOf(row: { basis?: string; source?: string }): Basis {
  return { basis: row.basis ?? null, source: row.source ?? null };
}

function limitOf(limit: Limits, item: string): number {
  const amount = limit[item];
  if (amount === undefined) throw new RangeError(`sizing/limits has no ${item}`);
  return amount;
}

/** Whether each coil's wire passes the lumen; null when the lumen is unknown (SZ8). */
function passLumen(stock: readonly Coil[], needle: Needle): Passes {
  const lumen = needle.inner_diameter_um;
  return Object.fromEntries(
    stock.map((coil) => [coil.id, lumen === undefined ? null : coil.wire_um < lumen]),
  );
}

function sizeTarget(
  target: Target,
  counts: readonly CountRow[],
  limit: Limits,
  stock: readonly Coil[],
  passes: Passes,
  needle: Needle,
  raised: Set<string>,
): SizedTarget {
  const axis = target.short_axis_um;
  const row = counts.find(({ from_um, below_um }) => from_um <= axis && axis < below_um);
  let coils: SizedTarget['coils'];
  let picks: Coil[] = [];
  if (target.origin === undefined) {
    coils = { missing: ['origin'] };
  } else if (row === undefined) {
    const least = Math.floor((counts[0]?.from_um ?? 0) / 1000);
    const most = Math.floor(((counts.at(-1)?.below_um ?? 1) - 1) / 1000);
    coils = refuse(
      'outside-domain',
      `No figure: the protocol covers ${least} to ${most} mm. You can write your own plan.`,
    );
  } else {
    picks = pickCoils(axis, row, limit, stock, passes);
    coils = describeCoils(axis, row, limit, picks, raised);
    if (target.origin === 'estimated') raised.add('estimated-size');
    if (target.origin === 'earlier-record') raised.add('earlier-size');
  }
  return {
    label: target.label,
    axis_used: 'short',
    axis_um: axis,
    origin: target.origin ?? null,
    coils,
    ...fillOf(target, row, picks, raised),
    needle_stop_um: stopOf(target, needle, limit),
  };
}

/**
 * Coils from first to last (SZ4-SZ7). The first is the smallest stocked loop in the band, else the
 * largest stocked below it; a later one is the largest stocked loop not above the one before.
 */
function pickCoils(
  axis: number,
  row: CountRow,
  limit: Limits,
  stock: readonly Coil[],
  passes: Passes,
): Coil[] {
  const [low, high] = bandOf(axis, limit);
  const left = new Map(
    stock.filter(({ id }) => passes[id] !== false).map(({ id, count }) => [id, count]),
  );
  const picks: Coil[] = [];
  const widest = (coils: Coil[]) => coils.reduce((a, b) => (b.loop_um > a.loop_um ? b : a));
  const narrowest = (coils: Coil[]) => coils.reduce((a, b) => (b.loop_um < a.loop_um ? b : a));
  while (picks.length < row.to_coils) {
    const usable = stock.filter(({ id }) => (left.get(id) ?? 0) > 0);
    const last = picks.at(-1);
    let chosen: Coil;
    if (last !== undefined) {
      const fitting = usable.filter(({ loop_um }) => loop_um <= last.loop_um);
      if (fitting.length === 0) break;
      chosen = widest(fitting);
    } else {
      const inBand = usable.filter(({ loop_um }) => low <= loop_um && loop_um <= high);
      const below = usable.filter(({ loop_um }) => loop_um < low);
      if (inBand.length > 0) chosen = narrowest(inBand);
      else if (below.length > 0) chosen = widest(below);
      else break;
    }
    left.set(chosen.id, (left.get(chosen.id) ?? 0) - 1);
    picks.push(chosen);
  }
  return picks;
}

/** The loop band: its lower bound rounded up, its upper one down (SZ3). */
function bandOf(axis: number, limit: Limits): [number, number] {
  return [
    Math.ceil((axis * limitOf(limit, 'loop_low_per_mille')) / 1000),
    Math.floor((axis * limitOf(limit, 'loop_high_per_mille')) / 1000),
  ];
}

function describeCoils(
  axis: number,
  row: CountRow,
  limit: Limits,
  picks: readonly Coil[],
  raised: Set<string>,
): SizedCoils {
  const [low, high] = bandOf(axis, limit);
  const [first] = picks;
  let reason: SizedCoils['reason'];
  if (row.to_coils === 0) reason = 'below-range';
  else if (first === undefined) reason = 'none-fits';
  else reason = first.loop_um >= low ? 'in-band' : 'largest-stocked';
  if (reason === 'below-range' || reason === 'none-fits') raised.add(reason);
  if (reason === 'largest-stocked') raised.add('migration');
  if (row.to_coils > 0) raised.add('doppler-after-each');
  return {
    from: row.from_coils,
    to: row.to_coils,
    loop_band_um: [low, high],
    picks: picks.map(({ id }) => id),
    reason,
    ...basisOf(row),
  };
}

/** The volume of the varix and how densely the picks would fill it (SZ11). */
function fillOf(
  target: Target,
  row: CountRow | undefined,
  picks: readonly Coil[],
  raised: Set<string>,
): Pick<SizedTarget, 'volume_ul' | 'packing_per_mille_from_to' | 'third_axis_from'> {
  if (target.long_axis_um === undefined) {
    const missing = { missing: ['long_axis_um'] };
    return { volume_ul: missing, packing_per_mille_from_to: missing };
  }
  const third = target.third_axis_um ?? target.short_axis_um;
  const axes = [target.short_axis_um, target.long_axis_um, third] as const;
  const volume = {
    volume_ul: ellipsoidUl(...axes),
    third_axis_from:
      target.third_axis_um === undefined ? ('short-axis' as const) : ('given' as const),
  };
  if (!axes.every((axis) => axis !== 0) || picks.length === 0 || row === undefined) {
    return { ...volume, packing_per_mille_from_to: { missing: ['coils.picks'] } };
  }
  raised.add('packing-information');
  return {
    ...volume,
    packing_per_mille_from_to: [
      packingPerMille(picks.slice(0, row.from_coils), axes),
      packingPerMille(picks, axes),
    ],
  };
}

/** The needle stop: distance less margin, down to the needle's step (SZ9, SZ10). */
function stopOf(target: Target, needle: Needle, limit: Limits): number | Missing | Refusal {
  const step = needle.stop_step_um ?? 0;
  const missing = [
    ...(target.measured_distance_um === undefined ? ['measured_distance_um'] : []),
    ...(step < 1 ? ['needle.stop_step_um'] : []),
  ];
  if (missing.length > 0 || target.measured_distance_um === undefined) return { missing };
  const room = target.measured_distance_um - limitOf(limit, 'stop_margin_um');
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

/** The dead space: the measured prime first, else the lumen, never a default (AD2). */
function deadSpaceOf(needle: Needle): Omit<SizingAnswer['needle'], 'passes'> {
  if (needle.prime_ul !== undefined) {
    return { dead_space_ul: needle.prime_ul, dead_space_from: 'measured-prime' };
  }
  if (needle.inner_diameter_um === undefined || needle.length_um === undefined) {
    return { dead_space_ul: { missing: ['needle.prime_ul'] }, dead_space_from: null };
  }
  if (Math.max(needle.inner_diameter_um, needle.length_um) > LONGEST_UM) {
    const refusal = refuse('implausible', 'No needle is that large. Correct its lumen or length.');
    return { dead_space_ul: refusal, dead_space_from: null };
  }
  return {
    dead_space_ul: lumenUl(needle.inner_diameter_um, needle.length_um),
    dead_space_from: 'computed',
  };
}

/** Amounts of adhesive (pure) and mix, aliquot, time and flush (AD1-AD6). */
function planAdhesive(
  adhesive: Adhesive,
  media: readonly ReturnType<typeof readFlushRow>[],
  limit: Limits,
  dead: number | Missing | Refusal,
  read: Request,
  raised: Set<string>,
): AdhesivePlan {
  const row = media.find(({ agent }) => agent === adhesive.agent);
  if (row === undefined) throw new RangeError(`sizing/flush_media has no ${adhesive.agent}`);
  const { parts_adhesive: parts, parts_oil: oil, planned_ul: pure } = adhesive;
  let amounts: Pick<AdhesivePlan, 'pure_ul' | 'mix_ul'>;
  let aliquot = limitOf(limit, 'aliquot_ul');
  if (parts < 1) {
    const refusal = refuse(
      'no-ratio',
      'The ratio needs at least one part of adhesive. Correct it.',
    );
    amounts = { pure_ul: refusal, mix_ul: refusal };
  } else if (pure === undefined) {
    const missing = { missing: ['adhesive.planned_ul'] };
    amounts = { pure_ul: missing, mix_ul: missing };
  } else {
    const mix = divideHalfUp(BigInt(pure) * BigInt(parts + oil), BigInt(parts));
    amounts = { pure_ul: pure, mix_ul: mix };
    aliquot = Math.min(aliquot, mix);
    raiseLimits(pure + (read.given_so_far_ul ?? 0), limit, raised);
  }
  raised.add('licence');
  if (adhesive.agent === 'n-butyl-2-cyanoacrylate') raised.add('flush-medium');
  const shunt = read.shunt ?? 'unknown';
  if (shunt === 'present') raised.add('large-shunt');
  if (shunt === 'unknown') raised.add('shunt-unknown');
  const crossing = read.right_to_left_shunt ?? 'unknown';
  if (crossing === 'yes') raised.add('right-to-left-shunt');
  if (crossing === 'unknown') raised.add('right-to-left-unknown');
  return {
    flush_media: [...row.media],
    ...basisOf(row),
    ...amounts,
    aliquot_ul: aliquot,
    aliquot_ms: divideHalfUp(BigInt(aliquot * limitOf(limit, 'aliquot_ms_per_ml')), 1000n),
    flush_ul: dead,
    leaves_tip_before_flush_ul: typeof dead === 'number' ? leavesTipUl(aliquot, 0, dead) : dead,
  };
}

function raiseLimits(totalPureUl: number, limit: Limits, raised: Set<string>): void {
  if (totalPureUl > limitOf(limit, 'second_person_ul')) raised.add('second-person');
  else if (totalPureUl > limitOf(limit, 'soft_limit_ul')) raised.add('soft-limit');
}
