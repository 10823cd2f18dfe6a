/** What the follow-up plan is asked with. Pure. */
import type { Json } from '../ports';
import { isInConflict, type RecordState, shown, structureOf, textOf } from './shown';
import type { Happening } from './surveillance-happenings';

/** One input as the screen lists it. `answer` null: not entered. */
export interface KnownInput {
  name: string;
  answer: Json;
  origin: '' | 'from-cause' | 'from-labs';
  isUnsettled: boolean;
}

const WITH_CIRRHOSIS = ['alcohol', 'viral', 'metabolic', 'cholestatic'];
const WITHOUT_CIRRHOSIS = ['portal-vein-thrombosis', 'splenic-vein-thrombosis'];

/**
 * Return the inputs of the plan in the order in which they are shown.
 *
 * @param childClass - from the liver scores, null where they lack something
 * @param coils - standing coils placed; @param adhesive - standing injections
 */
export function knownInputs(
  caseState: RecordState | null,
  childClass: string | null,
  coils: readonly RecordState[],
  adhesive: readonly RecordState[],
): KnownInput[] {
  const entered = (name: string): KnownInput => ({
    name,
    answer: shown(caseState, name) ?? null,
    origin: '',
    isUnsettled: isInConflict(caseState, name),
  });
  const derived = (name: string, answer: Json, origin: KnownInput['origin'] = ''): KnownInput => ({
    name,
    answer,
    origin: answer === null ? '' : origin,
    isUnsettled: false,
  });
  return [
    entered('indication'),
    {
      ...derived('cirrhosis', cirrhosisOf(textOf(caseState, 'cause')), 'from-cause'),
      isUnsettled: isInConflict(caseState, 'cause'),
    },
    derived('child_class', childClass, 'from-labs'),
    entered('transplant_listed'),
    entered('on_beta_blocker'),
    derived(
      'adhesive_ul',
      adhesive.reduce((sum, one) => sum + mixOf(one), 0),
    ),
    derived('coils', coils.length),
  ];
}

function cirrhosisOf(cause: string): boolean | null {
  if (WITH_CIRRHOSIS.includes(cause)) return true;
  return WITHOUT_CIRRHOSIS.includes(cause) ? false : null;
}

function mixOf(injection: RecordState): number {
  const mix = structureOf(injection, 'amount')?.mix_ul;
  return typeof mix === 'number' ? mix : 0;
}

/** Return the request for `answerFollowUp`; what is not known is left out, never guessed. */
export function askFollowUp(
  indexOn: string,
  todayOn: string,
  inputs: readonly KnownInput[],
  happened: readonly Happening[],
): Record<string, Json> {
  const answers = new Map(inputs.map(({ name, answer }) => [name, answer]));
  const named = [
    'cirrhosis',
    'child_class',
    'transplant_listed',
    'on_beta_blocker',
    'adhesive_ul',
    'coils',
  ];
  return {
    plan: 'default',
    index_on: indexOn,
    today_on: todayOn,
    acute_bleed: answers.get('indication') === 'acute-bleed',
    conditions: Object.fromEntries(
      named
        .map((name) => [name, answers.get(name) ?? null])
        .filter(([, answer]) => answer !== null),
    ),
    happened: happened
      .filter((one) => !isCancelledAhead(one, todayOn))
      .map(({ record: _record, ...one }) => one as unknown as Json),
  };
}

/** A booking cancelled before its day tells nothing yet, and the rules refuse a later day (FU17). */
function isCancelledAhead(one: Happening, todayOn: string): boolean {
  return one.outcome === 'cancelled' && one.on > todayOn;
}
