import { expect, test } from 'vitest';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import type { Json, RecordState } from '../ports';
import { passedGates } from './passed-gates';

const BOOK = packagedRuleBook('2026-03-16');
const OTHER = 'Other, note later';

function recorded(record: string, fields: Record<string, Json>, by = 'staff/otis'): RecordState {
  const held = (value: Json) => ({ value, references: ['r'], by, stamp: '1' });
  return {
    record,
    fields: Object.fromEntries(
      Object.entries(fields).map(([name, value]) => [
        name,
        { values: [held(value)], isConflict: false },
      ]),
    ),
    struck: [],
    isEnteredInError: false,
    heads: ['r'],
  } as unknown as RecordState;
}
const override = (cause: string, more: Record<string, Json> = {}) => ({
  gate: cause.split(' ')[0] ?? '',
  cause,
  reason: 'tip-in-view',
  second_person: null,
  text_shown: 'shown',
  ...more,
});
const told = (events: RecordState[], signature: RecordState | null = null) =>
  passedGates(events, signature, BOOK, OTHER, (gate) => `${gate} in words`);

test('[GATE-02] a gate passed is told with what it leaves, its reason in words, who and when', () => {
  const cause = 'HARD-05 stop_beyond_distance';
  expect(told([recorded('step_event/1', { at: 'T', override: override(cause) })])).toEqual([
    {
      key: 'step_event/1 0',
      gate: 'HARD-05',
      leaves: 'Needle stop beyond the measured distance',
      textShown: 'shown',
      reason: 'Tip kept in view',
      by: 'staff/otis',
      secondPerson: '',
      at: 'T',
    },
  ]);
});

test('[GATE-02] the two rows of one gate leave their own words, and a second person is named', () => {
  const passed = (when: string) =>
    told([
      recorded('step_event/1', {
        override: override(`HARD-04 ${when}`, { reason: 'other', second_person: 'staff/wren' }),
      }),
    ])[0];
  expect(passed('session_above_limit')).toMatchObject({
    leaves: 'Above the limit of the session, confirmed by two people',
    reason: OTHER,
    secondPerson: 'staff/wren',
  });
  expect(passed('injection_above_limit')?.leaves).toBe(
    'Above the limit of one injection, confirmed by two people',
  );
});

test('[GATE-00] what was recorded while a gate stood is told without a reason', () => {
  const answers = { gate_stood: 'HARD-05 stop_beyond_distance' };
  expect(told([recorded('step_event/1', { answers })])[0]).toMatchObject({
    gate: 'HARD-05',
    reason: '',
    leaves: 'Needle stop beyond the measured distance',
  });
});

test('[GATE-02] the gates passed with the signature come last; undone acts are left out', () => {
  const cause = 'HARD-08 counts_differ coil';
  const signed = recorded('sign_off/1', {
    outcome: { overrides: [override(cause, { reason: 'counted-by-two' })] },
  });
  const undone = {
    ...recorded('step_event/2', { override: override(cause) }),
    isEnteredInError: true,
  };
  const first = recorded('step_event/1', { override: override('HARD-05 stop_beyond_distance') });
  expect(told([first, undone], signed).map(({ gate, leaves }) => [gate, leaves])).toEqual([
    ['HARD-05', 'Needle stop beyond the measured distance'],
    ['HARD-08', 'Signed while counts differed'],
  ]);
});

test('an entry of an earlier version, without a cause, is told by its gate', () => {
  const held = { gate: 'BLOOD-RETURN', reason: 'Tip clearly seen' };
  expect(told([recorded('step_event/1', { override: held })])[0]).toMatchObject({
    leaves: 'BLOOD-RETURN in words',
    reason: 'Tip clearly seen',
  });
});

/** Caught, as it stood: a bare "HARD-99 no_such_condition" in the list of what was passed. */
test('[GATE-02] a gate of a rule that is not held here is said in words, never by its code alone', () => {
  const cause = 'HARD-99 no_such_condition';
  const passed = recorded('step_event/1', { override: override(cause) });
  const stood = recorded('step_event/2', { answers: { gate_stood: cause } });

  expect(told([passed, stood]).map(({ gate, leaves }) => [gate, leaves])).toEqual([
    ['HARD-99', 'HARD-99 in words'],
    ['HARD-99', 'HARD-99 in words'],
  ]);
});
