/** What a case was given, counted from its records. Pure. Twin of `api/documents/case_given.py`. */
import { isCivilDate } from '../../clinical-rules/civil-date';
import { type Block, table } from './paper';
import { ml, mm, type PaperWords } from './paper-words';
import {
  countIn,
  kindOf,
  ofKind,
  type Parts,
  partIn,
  partsOf,
  rowsIn,
  type ShownCase,
  type ShownRecord,
  stocked,
  structure,
  text,
  textIn,
  whole,
} from './shown-case';

/** Only then does the day that was booked still say when. */
const KEPT: readonly string[] = ['booked', 'attended', 'no-show'];
export const ACTS: readonly string[] = ['puncture', 'coil_placed', 'adhesive_injected', 'flush'];

/** Microlitres; adhesive (pure) and mix are never one number (HAZ-04). */
export interface Given {
  coils: number;
  punctures: number;
  pureUl: number;
  mixUl: number;
  /** Mix whose parts nobody entered: its share of adhesive is in no sum. */
  unknownUl: number;
  flushUl: number;
  injections: number;
  flushes: number;
  /** Injections and flushes of which no amount is read: they are in no sum. */
  lacking: ShownRecord[];
  flushLacking: ShownRecord[];
}

/**
 * Return what the records add up to; the pure share is rounded once per mixing ratio.
 *
 * @param unmeasured - flushes that have no record of their own, since nobody entered an amount
 */
export function countGiven(
  shown: ShownCase,
  target = '',
  unmeasured: readonly ShownRecord[] = [],
): Given {
  const held = (kind: string) =>
    [...ofKind(shown, kind), ...(kind === 'flush' ? unmeasured : [])].filter(
      (one) => target === '' || text(one, 'target') === target,
    );
  const byRatio = new Map<string, { pure: number; oil: number; given: number }>();
  let unknownUl = 0;
  const [injected, flushed] = [held('adhesive_injected'), held('flush')];
  for (const one of injected) {
    const pure = whole(one, 'amount', 'parts_adhesive');
    const oil = whole(one, 'amount', 'parts_oil');
    const given = whole(one, 'amount', 'mix_ul');
    if (given === null) continue;
    if (!pure || oil === null) {
      unknownUl += given;
      continue;
    }
    const sum = byRatio.get(`${pure}:${oil}`) ?? { pure, oil, given: 0 };
    sum.given += given;
    byRatio.set(`${pure}:${oil}`, sum);
  }
  const sums = [...byRatio.values()];
  return {
    coils: held('coil_placed').length,
    punctures: held('puncture').length,
    pureUl: sums.reduce((all, { pure, oil, given }) => all + pureShare(given, pure, oil), 0),
    mixUl: sums.reduce((all, { given }) => all + given, 0) + unknownUl,
    unknownUl,
    flushUl: flushed.reduce((all, one) => all + (whole(one, 'amount', 'flush_ul') ?? 0), 0),
    injections: injected.length,
    flushes: flushed.length,
    lacking: injected.filter((one) => whole(one, 'amount', 'mix_ul') === null),
    flushLacking: flushed.filter((one) => whole(one, 'amount', 'flush_ul') === null),
  };
}

/** Return the pure adhesive in an amount of mix, half up. */
export function pureShare(mixUl: number, pure: number, oil: number): number {
  return Math.floor((2 * mixUl * pure + pure + oil) / (2 * (pure + oil)));
}

/** Return the pure adhesive in words; what is not known of it is said. */
export function sayPure(given: Given, words: PaperWords): string {
  const put = { pure: ml(given.pureUl), mix: ml(given.unknownUl) };
  const pure = given.unknownUl === 0 ? put.pure : words.say('common.pure_unknown', put);
  return sayWithLacking(pure, given.injections, given.lacking, words);
}

/** Return the mix in words; injections without an amount are told, never counted as none. */
export function sayMix({ mixUl, injections, lacking }: Given, words: PaperWords): string {
  return sayWithLacking(ml(mixUl), injections, lacking, words);
}

/** Return what was flushed in words; flushes without an amount are counted. */
export function sayFlush({ flushUl, flushes, flushLacking }: Given, words: PaperWords): string {
  const count = flushLacking.length;
  const inDoubt = flushLacking.some(({ conflicts }) => conflicts.includes('amount'));
  if (count > 0 && count === flushes && !inDoubt) {
    return words.say('report.flush_lacking', { count });
  }
  return sayWithLacking(ml(flushUl), flushes, flushLacking, words);
}

function sayWithLacking(
  amount: string,
  count: number,
  lacking: readonly ShownRecord[],
  words: PaperWords,
): string {
  if (lacking.length === 0) return amount;
  if (lacking.length < count) {
    return words.say('common.amount_lacking', { amount, count: lacking.length });
  }
  const inDoubt = lacking.some(({ conflicts }) => conflicts.includes('amount'));
  return words.say(inDoubt ? 'common.two_answers' : 'report.not_entered');
}

/**
 * Return the device of an implant or package: its own label, else that of its package.
 *
 * An injection names no package: it has the label that all adhesive packages of the case share.
 * `in_doubt` alone stands where two answers wait.
 */
export function deviceOf(shown: Pick<ShownCase, 'records'>, one: ShownRecord): Parts {
  if (one.conflicts.includes('device')) return { in_doubt: true };
  const own = structure(one, 'device');
  if (Object.keys(own).length > 0) return own;
  if (one.conflicts.includes('package')) return { in_doubt: true };
  const opened = text(one, 'package');
  const named = shown.records.filter(({ record }) => record === opened);
  const shared = kindOf(one) === 'adhesive_injected' ? adhesivePackages(shown) : [];
  const packages = named.length > 0 ? named : shared;
  if (packages.some(({ conflicts }) => conflicts.includes('device'))) return { in_doubt: true };
  const devices = packages.map((pack) => structure(pack, 'device'));
  const isOne = new Set(devices.map(labelOf)).size === 1;
  return (isOne && devices.at(-1)) || {};
}

/** Say whether two answers wait for the label of a device. */
export function isInDoubt(device: Parts): boolean {
  return partIn(device, 'in_doubt') === true;
}

function labelOf(device: Parts): string {
  const names = ['identifier', 'lot', 'serial', 'expires_on'];
  const isUnknown = partIn(device, 'lot_unknown') === true;
  return JSON.stringify([...names.map((name) => textIn(device, name)), isUnknown]);
}

/** Return the adhesive packages of a case, without those that went back unopened. */
function adhesivePackages(shown: Pick<ShownCase, 'records'>): ShownRecord[] {
  return ofKind(shown, 'package_opened').filter(
    (pack) => text(pack, 'item') === 'adhesive' && text(pack, 'fate') !== 'returned',
  );
}

/**
 * Return the stock item of an implant or package, "" where none is named.
 *
 * An injection names none: it is that of the adhesive package with its lot, or of the only one.
 */
export function stockOf(shown: ShownCase, one: ShownRecord): string {
  const own = text(one, 'stock_id') || text(one, 'coil', 'stock_id');
  if (own !== '' || kindOf(one) !== 'adhesive_injected') return own;
  const opened = adhesivePackages(shown);
  const lot = text(one, 'device', 'lot');
  const ofLot = opened.filter((pack) => lot !== '' && text(pack, 'device', 'lot') === lot);
  const named = new Set((ofLot.length > 0 ? ofLot : opened).map((pack) => text(pack, 'stock_id')));
  const [only = ''] = named;
  return named.size === 1 ? only : '';
}

/** Return what an implant or package is called here. */
export function nameDevice(shown: ShownCase, one: ShownRecord, words: PaperWords): string {
  if (one.conflicts.includes('coil')) {
    return `${words.say('common.coil')}, ${words.say('common.two_answers')}`;
  }
  const name = text(stocked(shown, stockOf(shown, one)), 'name');
  if (name !== '') return name;
  if (kindOf(one) === 'adhesive_injected') {
    return words.value('agent', text(one, 'amount', 'agent')) || words.say('common.adhesive');
  }
  const loop = mm(whole(one, 'coil', 'loop_um'));
  if (loop !== '') return words.say('common.coil_of', { loop });
  const isCoil = ['', 'coil'].includes(text(one, 'item'));
  return isCoil ? words.say('common.coil_unsized') : words.value('item', text(one, 'item'));
}

/** Return the lot; that nobody entered one differs from a lot said to be unknown. */
export function sayLot(device: Parts, words: PaperWords): string {
  if (isInDoubt(device)) return words.say('common.two_answers');
  const isUnknown = partIn(device, 'lot_unknown') === true;
  return (
    textIn(device, 'lot') || words.say(isUnknown ? 'common.lot_unknown' : 'common.lot_missing')
  );
}

/** Return the use-by date, "" where none is recorded. */
export function sayExpiry(device: Parts, words: PaperWords): string {
  if (isInDoubt(device)) return words.say('common.two_answers');
  return words.day(textIn(device, 'expires_on'));
}

export function headsOf(words: PaperWords, section: string, names: readonly string[]): string[] {
  return names.map((name) => words.say(`${section}.${name}`));
}

/** Return every implant kind and lot once, with its count, adhesive last. */
export function rowsOfImplants(shown: ShownCase, words: PaperWords): string[][] {
  const found = new Map<string, { key: string[]; kind: string; count: number }>();
  for (const kind of ['coil_placed', 'adhesive_injected']) {
    for (const one of ofKind(shown, kind)) {
      const device = deviceOf(shown, one);
      const key = [
        nameDevice(shown, one, words),
        sayLot(device, words),
        textIn(device, 'serial'),
        sayExpiry(device, words),
      ];
      const name = JSON.stringify([...key, kind]);
      const held = found.get(name) ?? { key, kind, count: 0 };
      held.count += 1;
      found.set(name, held);
    }
  }
  return [...found.values()].map(({ key, kind, count }) => [
    ...key,
    kind === 'adhesive_injected' ? words.say('common.injections', { count }) : String(count),
  ]);
}

export function tableImplants(rows: string[][], words: PaperWords): Block {
  return table(headsOf(words, 'common', ['what', 'lot', 'serial', 'use_by', 'count']), rows, [4]);
}

/** Return the visits that follow, in the order of their days. */
export function tableVisits(shown: ShownCase, words: PaperWords): Block {
  const rows = shown.visits.map((visit) => {
    const window = structure(visit, 'window');
    const status = text(visit, 'status');
    const booked = KEPT.includes(status) ? textIn(structure(visit, 'booking'), 'on') : '';
    const day = booked || textIn(window, 'target_on');
    const inDoubt = ['booking', 'status'].some((field) => visit.conflicts.includes(field));
    const doubt = words.say('common.two_answers');
    const cells = [
      words.value('contact', text(visit, 'label')),
      inDoubt ? doubt : words.day(day),
      sayWindow(window, words),
      inDoubt ? doubt : words.value('status', status),
    ];
    return { day, cells };
  });
  const sorted = rows.sort((one, other) => compare(one.day, other.day));
  return table(
    headsOf(words, 'common', ['visit', 'day', 'window', 'standing']),
    sorted.map(({ cells }) => cells),
  );
}

export function compare(one: string, other: string): number {
  return one < other ? -1 : one > other ? 1 : 0;
}

function sayWindow(window: Parts, words: PaperWords): string {
  const [first, last] = [textIn(window, 'earliest_on'), textIn(window, 'latest_on')];
  if (!isCivilDate(first) || !isCivilDate(last)) return '';
  return words.say('common.from_to', { first: words.day(first), last: words.day(last) });
}

function answerOf(shown: ShownCase): Parts {
  return partsOf(partIn(structure(shown.itself, 'plan'), 'answer'));
}

/** Return what the saved plan answers for a target; nothing outside the stated use (HAZ-13). */
export function plannedFor(shown: ShownCase, label: string): Parts {
  if (shown.outside.length > 0) return {};
  const rows = rowsIn(partIn(answerOf(shown), 'targets'));
  return rows.find((one) => textIn(one, 'label') === label) ?? {};
}

/** Return what the saved plan says of the adhesive of the whole case. */
export function plannedAdhesive(shown: ShownCase): Parts {
  return shown.outside.length > 0 ? {} : partsOf(partIn(answerOf(shown), 'adhesive'));
}

/** Return the loop of a stocked coil in micrometres, null where it is not known. */
export function loopOf(shown: ShownCase, stock: string): number | null {
  return countIn(structure(stocked(shown, stock), 'coil'), 'loop_um');
}
