/**
 * One target in the report: its numbers, planned beside done, act by act, and its sketch. Pure.
 * Twin of `api/documents/target_report.py`.
 */
import {
  ACTS,
  compare,
  countGiven,
  deviceOf,
  type Given,
  headsOf,
  loopOf,
  nameDevice,
  plannedAdhesive,
  plannedFor,
  pureShare,
  sayExpiry,
  sayFlush,
  sayLot,
  sayMix,
  sayPure,
} from './case-given';
import { type Block, type PaperSketch, type Part, pairs, table } from './paper';
import { ml, mm, type PaperWords, thousandths } from './paper-words';
import {
  countIn,
  kindOf,
  ofKind,
  type Parts,
  partIn,
  partsOf,
  type ShownCase,
  type ShownRecord,
  structure,
  text,
  textsIn,
  timeOf,
  whole,
} from './shown-case';

type Row = [name: string, plan: string, done: string];

const IMPLANTS: readonly string[] = ['coil_placed', 'adhesive_injected'];
const UNDRAWN: readonly string[] = ['label', 'origin', 'route'];

/**
 * Return the part of a target: numbers, planned beside done, acts with lots, drawing.
 *
 * @param unmeasured - flushes of the case that have no record of their own, since nobody entered
 * an amount
 */
export function reportTarget(
  shown: ShownCase,
  target: ShownRecord,
  unmeasured: readonly ShownRecord[],
  words: PaperWords,
): Part {
  const label = text(target, 'label');
  const sketch = sketchTarget(shown, target);
  const told: [string, string][] = [
    ['size', saySize(target, words)],
    ['middle', mm(sketch.middle_um)],
    ['near', mm(sketch.near_um)],
    ['far', mm(sketch.far_um)],
    ['route', words.value('route', text(target, 'access', 'route'))],
    ['crus', mm(sketch.crus_um)],
    ['feeder', sayFeeder(target, sketch, words)],
  ];
  const rows = told
    .filter(([, content]) => content !== '')
    .map(([name, content]): [string, string] => [words.say(`report.${name}`), content]);
  const given = countGiven(shown, target.record, unmeasured);
  const blocks: Block[] = [
    ...(rows.length > 0 ? [pairs(rows)] : []),
    tablePlanned(shown, target, { given, sketch }, words),
    tableActs(shown, target, unmeasured, words),
  ];
  const isDrawn = Object.entries(sketch).some(
    ([name, held]) => !UNDRAWN.includes(name) && (Array.isArray(held) ? held.length > 0 : held),
  );
  if (isDrawn) {
    blocks.push({ kind: 'drawing', words: words.say('report.drawing', { label }), sketch });
  }
  return { heading: label || words.say('report.target'), blocks };
}

/** Return the numbers that a target is drawn from; null where nobody entered one (DR2). */
export function sketchTarget(shown: ShownCase, target: ShownRecord): PaperSketch {
  const label = text(target, 'label');
  const events = ofKind(shown, 'step_event');
  const steps = events.filter((one) => partIn(structure(one, 'round'), 'target') === label);
  const placed = ofKind(shown, 'coil_placed').filter(
    (one) => text(one, 'target') === target.record,
  );
  const planned = plannedFor(shown, label);
  const picks = textsIn(partIn(partsOf(partIn(planned, 'coils')), 'picks'));
  const loops = picks.map((pick) => loopOf(shown, pick)).filter((loop): loop is number => !!loop);
  // The step asks once before the first puncture: with more targets it names none (DR17).
  const before = ofKind(shown, 'target').length === 1 ? events : [];
  const stop = lastLength(steps, 'stop_set');
  const feeder = lastLength(before, 'feeder') ?? whole(target, 'feeder', 'feeder_um');
  return {
    label,
    origin: text(target, 'size', 'origin'),
    short_um: whole(target, 'size', 'short_axis_um'),
    long_um: whole(target, 'size', 'long_axis_um'),
    third_um: whole(target, 'size', 'third_axis_um'),
    middle_um: lastLength(steps, 'distance') ?? whole(target, 'distance', 'measured_um'),
    near_um: whole(target, 'distance', 'near_wall_um'),
    far_um: whole(target, 'distance', 'far_wall_um'),
    route: text(target, 'access', 'route'),
    crus_um: whole(target, 'access', 'crus_um'),
    feeder_um: target.conflicts.includes('feeder') ? null : feeder,
    planned_stop_um: stop === null ? countIn(planned, 'needle_stop_um') : null,
    stop_um: stop,
    planned_loops_um: placed.length > 0 ? [] : loops,
    placed_loops_um: placed.map((one) => whole(one, 'coil', 'loop_um')),
  };
}

/** Return the length entered at a step, of the latest puncture at which one was. */
function lastLength(steps: readonly ShownRecord[], step: string): number | null {
  let found: { number: number; length: number | null } = { number: 0, length: null };
  for (const one of steps) {
    const length = whole(one, 'answers', 'length_um');
    const number = whole(one, 'round', 'puncture') ?? 0;
    if (text(one, 'step') === step && length !== null && number >= found.number) {
      found = { number, length };
    }
  }
  return found.length;
}

function saySize(target: ShownRecord, words: PaperWords): string {
  if (target.conflicts.includes('size')) return words.say('common.two_answers');
  const axes = ['short_axis', 'long_axis', 'third_axis']
    .filter((name) => whole(target, 'size', `${name}_um`) !== null)
    .map((name) =>
      words.say(`report.${name}`, { length: mm(whole(target, 'size', `${name}_um`)) }),
    );
  const how = [
    words.value('modality', text(target, 'size', 'modality')),
    words.value('origin', text(target, 'size', 'origin')),
  ];
  return [...axes, ...how.filter((one) => one !== '')].join(', ');
}

function sayFeeder(target: ShownRecord, sketch: PaperSketch, words: PaperWords): string {
  if (target.conflicts.includes('feeder')) return words.say('common.two_answers');
  return mm(sketch.feeder_um) || words.value('seen', text(target, 'feeder', 'seen'));
}

function tablePlanned(
  shown: ShownCase,
  target: ShownRecord,
  { given, sketch }: { given: Given; sketch: PaperSketch },
  words: PaperWords,
): Block {
  const planned = plannedFor(shown, text(target, 'label'));
  // The plan holds one amount for the case: with more targets it stands under "in all".
  const adhesive = ofKind(shown, 'target').length === 1 ? plannedAdhesive(shown) : {};
  const coils = partsOf(partIn(planned, 'coils'));
  const [first, last] = [countIn(coils, 'from'), countIn(coils, 'to')];
  const span = first === null ? '' : first === last ? `${first}` : `${first}\u2013${last}`;
  return tableOfRows(
    [
      ['coils', span, String(given.coils)],
      ['stop', mm(countIn(planned, 'needle_stop_um')), mm(sketch.stop_um)],
      ['punctures', '', String(given.punctures)],
      ...rowsOfLiquids(given, adhesive, words),
    ],
    words,
  );
}

/**
 * Return what the whole case was given, where it has more than one target.
 *
 * Also where something was given to none of them: it is in the sum of no target.
 */
export function reportInAll(
  shown: ShownCase,
  unmeasured: readonly ShownRecord[],
  words: PaperWords,
): Part[] {
  const targets = ofKind(shown, 'target').map(({ record }) => record);
  const acts = [...shown.records, ...unmeasured].filter((one) => ACTS.includes(kindOf(one)));
  const isOfTarget = acts.every((one) => targets.includes(text(one, 'target')));
  if (targets.length < 2 && isOfTarget) return [];
  const given = countGiven(shown, '', unmeasured);
  const rows: Row[] = [
    ['coils', '', String(given.coils)],
    ['punctures', '', String(given.punctures)],
    ...rowsOfLiquids(given, plannedAdhesive(shown), words),
  ];
  return [{ heading: words.say('report.in_all'), blocks: [tableOfRows(rows, words)] }];
}

function rowsOfLiquids(given: Given, planned: Parts, words: PaperWords): Row[] {
  return [
    ['pure', ml(countIn(planned, 'pure_ul')), sayPure(given, words)],
    ['mix', ml(countIn(planned, 'mix_ul')), sayMix(given, words)],
    ['flush', '', sayFlush(given, words)],
  ];
}

function tableOfRows(rows: readonly Row[], words: PaperWords): Block {
  const none = words.say('report.not_planned');
  return table(
    ['', words.say('report.planned'), words.say('report.done')],
    rows.map(([name, plan, done]) => [
      words.say(`report.${name}`),
      plan || none,
      done || words.say('report.not_entered'),
    ]),
    [1, 2],
  );
}

function tableActs(
  shown: ShownCase,
  target: ShownRecord,
  unmeasured: readonly ShownRecord[],
  words: PaperWords,
): Block {
  const acts = [...shown.records, ...unmeasured]
    .filter((one) => ACTS.includes(kindOf(one)))
    .filter((one) => [target.record, ''].includes(text(one, 'target')))
    .sort((one, other) => compare(text(one, 'at'), text(other, 'at')));
  const rows = acts.map((one) => {
    const hasLabel = IMPLANTS.includes(kindOf(one));
    const device = hasLabel ? deviceOf(shown, one) : {};
    return [
      timeOf(shown, text(one, 'at')),
      sayAct(shown, one, words),
      hasLabel ? sayLot(device, words) : '',
      sayExpiry(device, words),
    ];
  });
  return table(headsOf(words, 'common', ['time', 'what', 'lot', 'use_by']), rows);
}

function sayAct(shown: ShownCase, act: ShownRecord, words: PaperWords): string {
  const kind = kindOf(act);
  if (kind === 'puncture') {
    const stop = mm(whole(act, 'stop_um'));
    const said = words.say('report.puncture', { number: whole(act, 'number') || '' });
    return said + (stop === '' ? '' : words.say('report.with_stop', { stop }));
  }
  if (kind === 'coil_placed') {
    const number = whole(act, 'slot') || '';
    return words.say('report.coil', { number, name: nameDevice(shown, act, words) });
  }
  const isOpen = act.conflicts.includes('amount');
  const none = words.say(isOpen ? 'common.two_answers' : 'report.not_entered');
  const seconds = thousandths(wholeSeconds(whole(act, 'elapsed_ms')));
  const within = seconds === '' ? '' : words.say('report.within', { seconds });
  const name = text(act, 'name');
  if (kind === 'flush' && name !== '') {
    return words.say('report.unmeasured', { name, amount: none });
  }
  if (kind === 'flush') {
    const amount = ml(whole(act, 'amount', 'flush_ul')) || none;
    const medium = words.value('medium', text(act, 'amount', 'medium'));
    return words.say('report.flushed', { amount, medium }).trim() + within;
  }
  const pure = whole(act, 'amount', 'parts_adhesive');
  const oil = whole(act, 'amount', 'parts_oil');
  const mix = whole(act, 'amount', 'mix_ul');
  const share = pure && oil !== null && mix !== null ? pureShare(mix, pure, oil) : null;
  const amounts = words.say('report.injected', { pure: ml(share) || none, mix: ml(mix) || none });
  const parts = pure && oil ? words.say('report.parts', { pure, oil }) : '';
  return `${nameDevice(shown, act, words)}: ${amounts}${parts}${within}`;
}

/** Return milliseconds rounded to whole seconds, half up, still in milliseconds. */
function wholeSeconds(elapsedMs: number | null): number | null {
  return elapsedMs === null ? null : Math.floor((2 * elapsedMs + 1_000) / 2_000) * 1_000;
}
