import { expect, test } from 'vitest';
import type { FollowUpCheckAnswer, FollowUpGap, RecordStore } from '../ports';
import { gapWords as words } from '../text/decisions';
import { FollowUpGaps, rowsOf } from './follow-up-gaps.svelte';

const GAP: FollowUpGap = {
  kind: 'no-plan',
  patient: 'patient/p',
  number: 'TH-0042',
  name: 'Greyfen, Tobias',
  case: 'case/c',
  visit: '',
  label: '',
  what_to_do: 'A sentence of the unit.',
  due_on: '',
};
const CHECK = { as_of_on: '2026-03-16', checked: 5, with_next_act: 3, ended: 1, not_due: 1 };
const storeThat = (answer: FollowUpCheckAnswer) =>
  ({ followUpCheck: async () => answer, onExchange: () => () => {} }) as unknown as RecordStore;
const settle = () => new Promise((resolve) => setTimeout(resolve));

/** Caught planted bugs: gaps of two cases in one row, and a row that opened Surveillance always. */
test('[FG1] [HAZ-44] what is missing stands by case, with why and what to do, and opens it', () => {
  const rows = rowsOf([
    GAP,
    { ...GAP, kind: 'no-result', case: 'case/d', label: 'Scope check', due_on: '2026-03-09' },
    { ...GAP, kind: 'doubled', case: 'case/d', visit: 'visit/v' },
    { ...GAP, kind: 'reason-to-come', case: 'case/e' },
    { ...GAP, kind: 'patient-struck', case: '', name: '', number: '' },
    { ...GAP, patient: '', case: 'case/f', name: '', number: '' },
    { ...GAP, patient: '', case: '', name: '', number: '' },
  ]);

  expect(rows.map(({ title, lines }) => [title, lines.length])).toEqual([
    ['Greyfen, Tobias · TH-0042', 1],
    ['Greyfen, Tobias · TH-0042', 2],
    ['Greyfen, Tobias · TH-0042', 1],
    ['p', 1],
    ['A case without a patient · f', 1],
    ['A case without a patient', 1],
  ]);
  expect(rows.map(({ place }) => place)).toEqual([
    { name: 'surveillance', caseId: 'c' },
    { name: 'surveillance', caseId: 'd' },
    { name: 'close-out', caseId: 'e' },
    { name: 'patient', patient: 'p' },
    { name: 'surveillance', caseId: 'f' },
    null,
  ]);
  expect(rows[1]?.lines[0]).toEqual({
    why: 'The visit took place, and nobody noted what it showed.',
    what: 'Enter the result.',
    about: 'Scope check · Due Mon 9 Mar 2026.',
  });
});

test('[FG1] a kind that this release does not know is told in the words of the unit', () => {
  const [row] = rowsOf([{ ...GAP, kind: 'newer' }]);
  expect(row?.lines[0]).toEqual({ why: words.unknown, what: GAP.what_to_do, about: '' });
});

/** Caught a planted bug: what was not due yet counted as ended. */
test('[FG1] where nobody is missing the numbers and the day of the check are told', async () => {
  const gaps = new FollowUpGaps(storeThat({ kind: 'told', ...CHECK, gaps: [] }));
  await settle();
  expect(gaps.rows).toEqual([]);
  expect(gaps.none).toBe(
    'Check of follow-up, Mon 16 Mar 2026: 4 patients, for each somebody acts next or a clinician ended it. For 1 more nothing is due yet.',
  );
});

test('[FG1] while the unit cannot be asked that is said, and nobody is called seen to', async () => {
  const gaps = new FollowUpGaps(
    storeThat({ kind: 'not-told', sentence: 'The unit cannot be reached.' }),
  );
  await settle();
  expect([gaps.rows, gaps.none]).toEqual([[], '']);
  expect(gaps.notTold).toBe('The unit cannot be reached.');
});
