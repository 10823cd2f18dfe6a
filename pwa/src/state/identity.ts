/**
 * Identity re-entry before a listed patient's procedure opens (HAZ-01, HARD-01). Pure.
 *
 * Proof is a `step_event` of step `identity`, done, with `answers.re_entered`; the Procedure
 * screen asks `isIdentityReentered`. A patient whose identity is still to be confirmed
 * (emergency start) has nothing to re-enter.
 */
import type { Draft, RecordState } from '../ports';
import { shown, structureOf, textOf } from './shown';

type MaybeState = RecordState | null | undefined;

export const IDENTITY_STEP = 'identity';

export interface IdentityDigits {
  bornYear: string;
  lastThree: string;
}

/** Return the digits that prove the patient, null when the record lacks them. */
export function identityDigits(patient: MaybeState): IdentityDigits | null {
  const bornYear = textOf(patient, 'born_on').slice(0, 4);
  const lastThree = textOf(patient, 'local_id')
    .replace(/[^0-9]/g, '')
    .slice(-3);
  return /^\d{4}$/.test(bornYear) && lastThree.length === 3 ? { bornYear, lastThree } : null;
}

/** Say whether the digits pressed are those of the patient; never true without a record. */
export function isIdentityMatch(patient: MaybeState, pressed: IdentityDigits): boolean {
  const expected = identityDigits(patient);
  return (
    expected !== null &&
    pressed.bornYear === expected.bornYear &&
    pressed.lastThree === expected.lastThree
  );
}

/** Say whether the identity of this patient still waits to be confirmed. */
export function isIdentityOpen(patient: MaybeState): boolean {
  return shown(patient, 'identity') === 'to-be-confirmed';
}

/** Say whether the identity was re-entered in this case and that entry still stands. */
export function isIdentityReentered(stepEvents: readonly RecordState[]): boolean {
  return stepEvents.some(
    (event) =>
      !event.isEnteredInError &&
      shown(event, 'step') === IDENTITY_STEP &&
      shown(event, 'outcome') === 'done' &&
      structureOf(event, 'answers')?.re_entered === true,
  );
}

/** Say whether a procedure may open only after the digits were pressed. */
export function needsIdentityCheck(
  patient: MaybeState,
  stepEvents: readonly RecordState[],
): boolean {
  return !isIdentityOpen(patient) && !isIdentityReentered(stepEvents);
}

/** Return what a passed check records. */
export function identityDraft(ids: {
  caseRecord: string;
  eventId: string;
  draftId: string;
  at: string;
  /** Causes that came up before the digits matched (GATE-05). */
  gatesShown?: readonly string[];
}): Draft {
  return {
    draftId: ids.draftId,
    record: `step_event/${ids.eventId}`,
    set: {
      case: ids.caseRecord,
      step: IDENTITY_STEP,
      round: { target: null, puncture: null, coil: null, aliquot: null },
      outcome: 'done',
      at: ids.at,
      answers: {
        re_entered: true,
        ...(ids.gatesShown?.length ? { gates_shown: [...ids.gatesShown] } : {}),
      },
    },
  };
}
