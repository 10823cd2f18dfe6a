/**
 * The steps that a case passed: left out, answered "not so", and flushes nobody measured. Pure.
 * Twin of `api/documents/case_steps.py`.
 */
import { RuleFileError } from '../../clinical-rules/errors';
import type { RuleBook } from '../../clinical-rules/rule-book';
import { findProtocol, type Step } from '../../clinical-rules/step-protocol';
import { BESIDE } from '../procedure-events';
import { compare, headsOf } from './case-given';
import { type Block, lines, type Part, table } from './paper';
import type { PaperWords } from './paper-words';
import {
  countIn,
  nameOf,
  ofKind,
  type Parts,
  partIn,
  partsOf,
  type ShownCase,
  type ShownRecord,
  structure,
  text,
  textIn,
  timeOf,
  whole,
} from './shown-case';

const ROUNDS = ['puncture', 'coil', 'aliquot'] as const;

export type Steps = ReadonlyMap<string, Step>;

/** A step that somebody left out, and how it was passed after all, null where it was not. */
export interface LeftOut {
  event: ShownRecord;
  later: ShownRecord | null;
}

type Why = readonly [event: ShownRecord, why: string];

/**
 * Return the steps of the protocol that the case took up, by id.
 *
 * With its plan, else with its start (HAZ-10); where those bytes are not held here, of the one in
 * force. None where no protocol can be read: a report is made all the same.
 */
export function stepsOf(shown: ShownCase, book: RuleBook): Steps {
  const plan = structure(shown.itself, 'plan');
  const planned = isSaved(plan) ? partsOf(partIn(plan, 'protocol')) : {};
  const held = Object.keys(planned).length > 0 ? planned : structure(shown.itself, 'step_protocol');
  const version = countIn(held, 'version');
  const [name, sha256] = [textIn(held, 'name'), textIn(held, 'sha256')];
  try {
    const { rows } = findProtocol(book, version === null ? undefined : { name, version, sha256 });
    return new Map(rows.map((step) => [step.id, step]));
  } catch (error) {
    if (!(error instanceof RuleFileError)) throw error;
    return new Map();
  }
}

function isSaved(plan: Parts): boolean {
  return ['request', 'answer'].every((name) => {
    const held = partIn(plan, name);
    return typeof held === 'object' && held !== null && !Array.isArray(held);
  });
}

/** Return each step of a round that was left out, once, oldest first; the last word counts. */
export function findLeftOut(shown: Pick<ShownCase, 'records'>): LeftOut[] {
  const found = byPlace(shown).flatMap((events): LeftOut[] => {
    const event = events.findLast((one) => text(one, 'outcome') === 'skipped');
    const last = events.at(-1) ?? null;
    return event === undefined ? [] : [{ event, later: last === event ? null : last }];
  });
  const inOrder = orderIn(shown);
  return found.sort((one, other) => inOrder(one.event, other.event));
}

/**
 * Return the checks that the team answered "not so" and went on; the last word counts.
 *
 * Of a step that asks what was seen, "no" is a finding and no such answer.
 */
export function findNotSo(shown: Pick<ShownCase, 'records'>, steps: Steps): ShownRecord[] {
  return byPlace(shown)
    .flatMap((events) => events.at(-1) ?? [])
    .filter((one) => text(one, 'outcome') === 'not-seen')
    .filter((one) => steps.get(text(one, 'step'))?.takes === 'tick')
    .sort(orderIn(shown));
}

/** Return the steps left out: when, which, why and by whom. */
export function reportLeftOut(shown: ShownCase, steps: Steps, words: PaperWords): Part {
  const heading = words.say('report.left_out');
  const found = findLeftOut(shown);
  if (found.length === 0) {
    // Of a case that was not recorded step by step nobody can say that none was left out.
    const said = passedOf(shown).length > 0 ? 'report.none_left_out' : 'report.no_steps';
    return { heading, blocks: [lines([words.say(said)])] };
  }
  const whys = found.map((one): Why => [one.event, sayWhy(shown, one, words)]);
  return { heading, blocks: [tableOf(shown, whys, steps, words)] };
}

/** Return the checks answered "not so": when, which, why and by whom; nothing without any. */
export function reportNotSo(shown: ShownCase, steps: Steps, words: PaperWords): Part[] {
  const whys = findNotSo(shown, steps).map(
    (one): Why => [one, sayReason(one, 'not_so_reason', words)],
  );
  if (whys.length === 0) return [];
  return [{ heading: words.say('report.not_so'), blocks: [tableOf(shown, whys, steps, words)] }];
}

function tableOf(shown: ShownCase, whys: readonly Why[], steps: Steps, words: PaperWords): Block {
  const rows = whys.map(([event, why]) => [
    timeOf(shown, text(event, 'at')),
    sayStep(event, steps, words),
    why,
    nameOf(shown, event.by),
  ]);
  // Nobody is asked for a PIN at a step.
  return table(headsOf(words, 'common', ['time', 'step', 'reason', 'by_stated']), rows);
}

/**
 * Return the flushes passed as done of which nobody entered an amount.
 *
 * They have no record of their own: each is told as a flush without an amount, named by its step.
 */
export function unmeasuredFlushes(
  shown: ShownCase,
  steps: Steps,
  words: PaperWords,
): ShownRecord[] {
  const measured = new Set(ofKind(shown, 'flush').map(({ record }) => record));
  const labels = new Map(ofKind(shown, 'target').map((one) => [text(one, 'label'), one.record]));
  const only = labels.size === 1 ? [...labels.values()][0] : undefined;
  return ofKind(shown, 'step_event').flatMap((event): ShownRecord[] => {
    const step = steps.get(text(event, 'step'));
    const record = `flush/${event.record.slice(event.record.indexOf('/') + 1)}`;
    if (step?.takes !== 'flush' || text(event, 'outcome') !== 'done') return [];
    if (measured.has(record) || whole(event, 'answers', 'flush_ul') !== null) return [];
    const label = textIn(structure(event, 'round'), 'target');
    const shows = {
      target: (label === '' ? only : labels.get(label)) ?? '',
      name: nameStep(step.id, steps, words),
      at: text(event, 'at'),
    };
    const conflicts = event.conflicts.includes('answers') ? ['amount'] : [];
    return [{ record, shows, held: {}, conflicts, by: event.by }];
  });
}

/** Return the name of a step as its protocol gives it; of one that it lacks the bare id. */
function nameStep(step: string, steps: Steps, words: PaperWords): string {
  const known = steps.get(step);
  return known === undefined ? step.replaceAll('_', ' ') : words.value('step', known.title);
}

function passedOf({ records }: Pick<ShownCase, 'records'>): ShownRecord[] {
  return records.filter(
    (one) => one.record.startsWith('step_event/') && !['', ...BESIDE].includes(text(one, 'step')),
  );
}

/** Return what was passed by step and round, oldest first in each. */
function byPlace(shown: Pick<ShownCase, 'records'>): ShownRecord[][] {
  const places = new Map<string, ShownRecord[]>();
  for (const event of passedOf(shown)) {
    const place = placeOf(event);
    places.set(place, [...(places.get(place) ?? []), event]);
  }
  return [...places.values()];
}

function orderIn({ records }: Pick<ShownCase, 'records'>) {
  return (one: ShownRecord, other: ShownRecord) =>
    compare(text(one, 'at'), text(other, 'at')) || records.indexOf(one) - records.indexOf(other);
}

function placeOf(event: ShownRecord): string {
  const held = structure(event, 'round');
  const numbers = ROUNDS.map((name) => countIn(held, name));
  return JSON.stringify([text(event, 'step'), textIn(held, 'target'), ...numbers]);
}

function sayStep(event: ShownRecord, steps: Steps, words: PaperWords): string {
  const held = structure(event, 'round');
  const numbers = ROUNDS.flatMap((name) => {
    const number = countIn(held, name);
    return number === null ? [] : [words.say(`report.round_${name}`, { number })];
  });
  const round = [textIn(held, 'target'), ...numbers].filter((part) => part !== '').join(', ');
  const step = nameStep(text(event, 'step'), steps, words);
  return round === '' ? step : words.say('report.step_in', { step, round });
}

function sayWhy(shown: ShownCase, { event, later }: LeftOut, words: PaperWords): string {
  const reason = sayReason(event, 'left_out_reason', words);
  if (later === null) return reason;
  const time = timeOf(shown, text(later, 'at'));
  return words.say('report.left_out_later', { reason, time });
}

function sayReason(event: ShownRecord, field: string, words: PaperWords): string {
  if (event.conflicts.includes('answers')) return words.say('common.two_answers');
  return words.value(field, text(event, 'answers', 'reason')) || words.say('report.no_reason');
}
