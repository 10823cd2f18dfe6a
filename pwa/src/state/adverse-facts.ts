/**
 * The facts of one adverse event as recorded, and the drafts that record more of them. Pure.
 *
 * Each press saves the facts it answers as a value of its own beside the others (`facts` keeps
 * all): two tablets that answer different facts at once lose nothing, and two answers to one fact
 * stay both until a person presses one.
 */
import {
  type AdverseEventAnswer,
  FACT_NAMES,
  FACTS,
  type Fact,
  gradeAdverseEvent,
} from '../clinical-rules/adverse-events';
import { daysBetween } from '../clinical-rules/civil-date';
import { CalculationRefusedError, ClinicalRuleError } from '../clinical-rules/errors';
import type { RuleBook } from '../clinical-rules/rule-book';
import { naturalNumber } from '../clinical-rules/shapes';
import type { Draft } from '../ports';
import { textsOf } from './calculation';
import { type HeldValue, type Json, type RecordState, textOf, valuesOf } from './shown';

/** The day on which the event happened, where it was recorded later; a civil date. */
export const DAY = 'on';
/** Up to this many days after the procedure events are asked for. */
export const LAST_DAY = 30;

const ADMISSION: readonly Fact[] = ['admission_hours', 'admission_nights'];

type Facts = Record<string, Json>;

export interface KnownFacts {
  /** Facts with one answer. */
  given: Facts;
  /** Facts with several answers: a person presses one. */
  unsettled: Record<string, Json[]>;
}

/** Return what stands of an event's facts and its day; other parts of `facts` are left aside. */
export function factsOf(event: RecordState): KnownFacts {
  const given: Facts = {};
  const unsettled: Record<string, Json[]> = {};
  for (const name of [...FACT_NAMES, DAY]) {
    const answers = new Map<string, Json>();
    for (const held of valuesOf(event, 'facts')) {
      const answer = partsOf(held)[name];
      if (answer !== undefined && answer !== null) answers.set(JSON.stringify(answer), answer);
    }
    const found = [...answers.values()];
    if (found.length > 1) unsettled[name] = found;
    else if (found[0] !== undefined) given[name] = found[0];
  }
  return { given, unsettled };
}

/** Both grades, or why there are none; `missing` also where nothing is entered yet. */
export interface EventGrades {
  answer: AdverseEventAnswer | null;
  missing: readonly Fact[];
  /** One sentence when there is no grade, else "". */
  sentence: string;
}

/** Return the grades that follow from the facts with one answer; the day plays no part. */
export function gradesOf({ given }: KnownFacts, ruleBook: RuleBook): EventGrades {
  const { [DAY]: _day, ...facts } = given;
  try {
    const answer = gradeAdverseEvent(facts, ruleBook);
    return { answer, missing: answer.missing, sentence: '' };
  } catch (error) {
    if (!(error instanceof ClinicalRuleError)) throw error;
    const told = error instanceof CalculationRefusedError ? textsOf(error.answer, 'missing') : [];
    const missing = FACT_NAMES.filter((fact) => told.includes(fact));
    return { answer: null, missing, sentence: error.message };
  }
}

/**
 * Return the drafts that answer some facts of an event, over every earlier answer to them.
 *
 * What an earlier value says of other facts is written again as it was.
 *
 * @param event - as drawn when pressed: an answer that came in since is not written over
 * @param newId - mints an id for each draft
 */
export function factDrafts(event: RecordState, answers: Facts, newId: () => string): Draft[] {
  const isAnswered = (name: string) => Object.hasOwn(answers, name);
  const replaced = valuesOf(event, 'facts').filter((held) =>
    Object.keys(partsOf(held)).some(isAnswered),
  );
  const rests = replaced
    .map((held) => Object.entries(partsOf(held)).filter(([name]) => !isAnswered(name)))
    .filter((rest) => rest.length > 0)
    .map((rest) => Object.fromEntries(rest));
  const over = replaced.flatMap((held) => held.references);
  return [answers, ...rests].map((facts, place) => ({
    draftId: `facts-${newId()}`,
    record: event.record,
    set: { facts },
    ...(place === 0 && over.length > 0 ? { over: { facts: over } } : {}),
  }));
}

/**
 * Return the answer "no" to each fact that is missing: false, 0 or none.
 *
 * Half of an admission that is known is left open: 0 hours beside its nights would be no stay.
 */
export function noToAll(missing: readonly Fact[], { given, unsettled }: KnownFacts): Facts {
  const isOpenAdmission = ADMISSION.some((fact) => Boolean(given[fact]) || unsettled[fact]);
  return Object.fromEntries(
    missing
      .filter((fact) => unsettled[fact] === undefined)
      .filter((fact) => !(isOpenAdmission && ADMISSION.includes(fact)))
      .map((fact) => [fact, noTo(fact)]),
  );
}

function noTo(fact: Fact): Json {
  if (fact === 'drugs') return 'none';
  return FACTS[fact] === naturalNumber ? 0 : false;
}

/**
 * Return the civil date of an event, "" where it has two.
 *
 * @param dayOf - civil date of wall milliseconds on this device
 */
export function dayOfEvent(event: RecordState, dayOf: (wallMs: number) => string): string {
  const { given, unsettled } = factsOf(event);
  if (unsettled[DAY] !== undefined) return '';
  if (typeof given[DAY] === 'string') return given[DAY];
  const atMs = Date.parse(textOf(event, 'at'));
  return Number.isNaN(atMs) ? '' : dayOf(atMs);
}

/** Return how many days after the procedure a day lies, null where one of the two is not known. */
export function dayNumber(procedureOn: string, on: string): number | null {
  return procedureOn === '' || on === '' ? null : daysBetween(procedureOn, on);
}

function partsOf(held: HeldValue): Facts {
  const { value } = held;
  const isStructure = typeof value === 'object' && value !== null && !Array.isArray(value);
  return isStructure ? (value as Facts) : {};
}
