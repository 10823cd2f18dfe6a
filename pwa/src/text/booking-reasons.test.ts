import { expect, test } from 'vitest';
import { REASONS, reasonWords } from './booking-reasons';

/** What the unit sends with any code, all of it. */
const VALUES = {
  on: '2026-04-16',
  target_on: '2026-04-14',
  from_on: '2026-04-01',
  until_on: '2026-04-30',
  needs: 'scope',
  why: 'holiday',
  field: 'owner_role',
  place: 'Room 9',
  where: 'own',
  days: 9,
};

test('[FU-14] each reason is a sentence of its own, and each value of it is said', () => {
  const said = Object.keys(REASONS).map((code) =>
    reasonWords({ because: '', reasons: [{ code, values: VALUES }] }),
  );

  expect(new Set(said).size).toBe(said.length);
  for (const one of said) expect(one).toMatch(/^[A-Z].*\.$/);
  for (const one of said) expect(one).not.toMatch(/[{}]|undefined|NaN/);
  expect(reasonWords({ because: '', reasons: [{ code: 'nearest', values: VALUES }] })).toBe(
    "Target Tue 14 Apr 2026, nearest free day Thu 16 Apr 2026 (scope). At Room 9, not the patient's own place.",
  );
  expect(
    reasonWords({ because: '', reasons: [{ code: 'after-window', values: { days: 1 } }] }),
  ).toBe('That is 1 day after the window ends; give the reason when you book it.');
});

/** Has caught a planted bug: of a code that is not known nothing was said. */
test('what this app has no words for is told in those of the unit', () => {
  const because = 'Booked for 16 April; that booking stays.';
  const known = { code: 'moved', values: VALUES };

  expect(reasonWords({ because })).toBe(because);
  expect(reasonWords({ because, reasons: [known, { code: 'new-one', values: {} }] })).toBe(because);
  expect(reasonWords({ because, reasons: [{ code: 'toString', values: {} }] })).toBe(because);
});
