import fc from 'fast-check';
import { expect, test } from 'vitest';
import type { Json, RecordState } from '../ports';
import {
  identityDigits,
  identityDraft,
  isIdentityMatch,
  isIdentityReentered,
  needsIdentityCheck,
} from './identity';

function held(record: string, content: Record<string, Json>, isStruck = false): RecordState {
  return {
    record,
    fields: Object.fromEntries(
      Object.entries(content).map(([field, value]) => [
        field,
        { values: [{ value, references: ['r'], by: 's', stamp: '1' }], isConflict: false },
      ]),
    ),
    struck: [],
    isEnteredInError: isStruck,
    heads: [],
  };
}

const patient = held('patient/p', { born_on: '1961-05-04', local_id: 'K-10 473' });
const event = (answers: Json, isStruck = false) =>
  held('step_event/e', { step: 'identity', outcome: 'done', answers }, isStruck);

test('[HARD-01] the year of birth and the last three digits of the local number open a case', () => {
  expect(identityDigits(patient)).toEqual({ bornYear: '1961', lastThree: '473' });
  expect(isIdentityMatch(patient, { bornYear: '1961', lastThree: '473' })).toBe(true);
});

/** Caught a planted bug: a check that asked for the year or the digits, not for both. */
test('[HARD-01] of 500 random pairs of digits none but the right one opens a case', () => {
  const digits = (count: number) =>
    fc
      .array(fc.integer({ min: 0, max: 9 }), { minLength: count, maxLength: count })
      .map((all) => all.join(''));
  const year = fc.oneof(digits(4), fc.constant('1961'));
  const three = fc.oneof(digits(3), fc.constant('473'));
  fc.assert(
    fc.property(year, three, (bornYear, lastThree) => {
      const isRight = bornYear === '1961' && lastThree === '473';
      expect(isIdentityMatch(patient, { bornYear, lastThree })).toBe(isRight);
    }),
    { numRuns: 500, seed: 11 },
  );
});

test('[HARD-01] a record without birth date or with two digits of ID never opens a case', () => {
  const noBirth = held('patient/p', { local_id: '10473' });
  const shortId = held('patient/p', { born_on: '1961-05-04', local_id: 'A-73' });
  expect(identityDigits(noBirth)).toBeNull();
  expect(isIdentityMatch(shortId, { bornYear: '1961', lastThree: '73' })).toBe(false);
  expect(isIdentityMatch(null, { bornYear: '', lastThree: '' })).toBe(false);
});

test('[HAZ-01] a tick without digits, or an entry struck later, does not prove identity', () => {
  expect(isIdentityReentered([event({ re_entered: true })])).toBe(true);
  expect(isIdentityReentered([event({ re_entered: false })])).toBe(false);
  expect(isIdentityReentered([event({ re_entered: true }, true)])).toBe(false);
  expect(isIdentityReentered([])).toBe(false);
});

test('[HAZ-28] an emergency patient whose identity is open is not asked for digits', () => {
  const emergency = held('patient/p', { identity: 'to-be-confirmed' });
  expect(needsIdentityCheck(emergency, [])).toBe(false);
  expect(needsIdentityCheck(patient, [])).toBe(true);
});

test('what a passed check records proves identity when read back', () => {
  const draft = identityDraft({
    caseRecord: 'case/c',
    eventId: 'e',
    draftId: 'd',
    at: '2026-03-16T09:00:00.000+00:00',
  });
  expect(isIdentityReentered([held(draft.record, draft.set ?? {})])).toBe(true);
});
