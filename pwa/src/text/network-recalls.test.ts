import { expect, test } from 'vitest';
import type { RecallAtUnit } from '../network-questions';
import { answerWords, countedBeforeWords, countedWords } from './network';

const ANSWERED: RecallAtUnit = {
  unit: 'unit-a',
  name: 'Tarn Hollow',
  exact: 2,
  near: 3,
  unknown: 1,
  answer: 'searched',
  found_cases: 5,
  found_patients: 5,
  exact_patients: 2,
  near_patients: 3,
  unknown_lots: 1,
  on_shelf: 4,
  answered_ms: 1_790_000_000_000,
  waiting_days: 0,
  is_behind: false,
};

/** Caught: the desk showed one count, in which a near lot stood like the very one recalled. */
test('[HAZ-46] [NL6] [NL11] exact finds, near ones and unknown lots are told apart', () => {
  expect(countedWords(ANSWERED)).toBe('Devices counted here: 2 exact, 3 near, 1 of unknown lot');
  expect(answerWords(ANSWERED)).toContain('2 with an exact find, 3 with a near one alone');
});

/** Caught: before a notice stood, the desk told that a unit has one device of a lot. */
test('[HAZ-49] before a notice stands each number is told up to the next five', () => {
  expect(countedBeforeWords({ unit: 'u', name: 'Tarn', exact: 5, near: 0, unknown: 10 })).toBe(
    'Devices counted here: at most 5 exact, none near, at most 10 of unknown lot',
  );
});

test('[HAZ-46] [NL11] an answer of an older release is said to tell neither apart', () => {
  const words = answerWords({ ...ANSWERED, exact_patients: null, near_patients: null });
  expect(words).toContain('5, exact and near ones not told apart');
  expect(words).not.toContain('exact find');
  const silent = { ...ANSWERED, answer: 'none', found_patients: null } as const;
  expect(answerWords(silent)).not.toContain('told apart');
});
