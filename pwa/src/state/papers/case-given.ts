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
}

/** Return what the records add up to; the pure share is rounded once per mixing ratio. */
export function countGiven(shown: ShownCase, target = ''): Given {
  const held = (kind: string) =>
    ofKind(shown, kind).filter((one) => target === '' || text(one, 'target') === target);
  const byRatio = new Map<string, { pure: number; oil: number; given: number }>();
  let unknownUl = 0;
  for (const one of held('adhesive_injected')) {
    const pure = whole(one, 'amount', 'parts_adhesive');
    const oil = whole(one, 'amount', 'parts_oil');
    const given = whole(one, 'amount', 'mix_ul') ?? 0;
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
    flushUl: held('flush').reduce((all, one) => all + (whole(one, 'amount', 'flush_ul') ?? 0), 0),
  };
}

/** Return the pure adhesive in an amount of mix, half up. */
export function pureShare(mixUl: number, pure: number, oil: number): number {
  return Math.floor((2 * mixUl * pure + pure + oil) / (2 * (pure + oil)));
}

/** Return the pure adhesive in words; what is not known of it is said. */
export function sayPure(given: Given, words: PaperWords): string {
  if (given.unknownUl === 0) return ml(given.pureUl);
  return words.say('common.pure_unknown', { pure: ml(given.pureUl), mix: ml(given.unknownUl) });
}

/** Return the device of an implant: its own label, else that of the package it came in. */
export function deviceOf(shown: ShownCase, one: ShownRecord): Parts {
  const own = structure(one, 'device');
  if (Object.keys(own).length > 0) return own;
  const opened = text(one, 'package');
  return structure(shown.records.find(({ record }) => record === opened) ?? null, 'device');
}

/**
 * Return the stock item of an implant or package, "" where none is named.
 *
 * An injection names none: it is that of the adhesive package with its lot, or of the only one.
 */
export function stockOf(shown: ShownCase, one: ShownRecord): string {
  const own = text(one, 'stock_id') || text(one, 'coil', 'stock_id');
  if (own !== '' || kindOf(one) !== 'adhesive_injected') return own;
  const opened = ofKind(shown, 'package_opened').filter(
    (pack) => text(pack, 'item') === 'adhesive',
  );
  const lot = text(one, 'device', 'lot');
  const ofLot = opened.filter((pack) => lot !== '' && text(pack, 'device', 'lot') === lot);
  const named = new Set((ofLot.length > 0 ? ofLot : opened).map((pack) => text(pack, 'stock_id')));
  const [only = ''] = named;
  return named.size === 1 ? only : '';
}

/** Return what an implant or package is called here. */
export function nameDevice(shown: ShownCase, one: ShownRecord, words: PaperWords): string {
  const name = text(stocked(shown, stockOf(shown, one)), 'name');
  if (name !== '') return name;
  if (kindOf(one) === 'adhesive_injected') {
    return words.value('agent', text(one, 'amount', 'agent')) || words.say('common.adhesive');
  }
  const loop = mm(whole(one, 'coil', 'loop_um'));
  if (loop !== '') return words.say('common.coil_of', { loop });
  return words.value('item', text(one, 'item')) || words.say('common.coil');
}

/** Return the lot; that nobody entered one differs from a lot said to be unknown. */
export function sayLot(device: Parts, words: PaperWords): string {
  const isUnknown = partIn(device, 'lot_unknown') === true;
  return (
    textIn(device, 'lot') || words.say(isUnknown ? 'common.lot_unknown' : 'common.lot_missing')
  );
}

/** Return the use-by date, "" where none is recorded. */
export function sayExpiry(device: Parts, words: PaperWords): string {
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
    const day = textIn(structure(visit, 'booking'), 'on') || textIn(window, 'target_on');
    const cells = [
      text(visit, 'label'),
      words.day(day),
      sayWindow(window, words),
      words.value('status', text(visit, 'status')),
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
