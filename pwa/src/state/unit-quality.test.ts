import { expect, test } from 'vitest';
import type { OwnQuality, OwnQualityRule } from '../quality-answers';
import { brokenRules, cleanRules, countByFixer, fieldsFilled } from './unit-quality';

const rule = (
  name: string,
  severity: OwnQualityRule['severity'],
  fixer: string,
  found: number,
): OwnQualityRule => ({ rule: name, severity, fixer, sentence: `${name}.`, found });
const row = (of: string, record: string) => ({
  rule: of,
  record,
  other: '',
  case: 'case/1',
  patient: 'patient/1',
  number: '00417',
  on: '2026-03-03',
});
const QUALITY: OwnQuality = {
  as_of_on: '2026-11-26',
  cases: 9,
  rules: [
    rule('size-estimated', 'note', 'endoscopist', 1),
    rule('not-signed', 'caution', 'endoscopist', 2),
    rule('lot-missing', 'stop', 'assistant', 1),
    rule('coil-count', 'stop', 'assistant', 0),
  ],
  to_mend: [
    row('not-signed', 'case/2'),
    row('lot-missing', 'coil_placed/7'),
    row('not-signed', 'case/1'),
  ],
  completeness: [],
};

/** Caught a planted bug: rules in the order of the file put a missing lot last. */
test('what matters most stands first, with the records that break it', () => {
  const broken = brokenRules(QUALITY, '');

  expect(broken.map(({ rule: name }) => name)).toEqual([
    'lot-missing',
    'not-signed',
    'size-estimated',
  ]);
  expect(broken[1]?.records.map(({ record }) => record)).toEqual(['case/2', 'case/1']);
  expect(cleanRules(QUALITY).map(({ rule: name }) => name)).toEqual(['coil-count']);
});

test('each role sees what it mends; who may not see records sees the counts', () => {
  expect([...countByFixer(QUALITY)]).toEqual([
    ['endoscopist', 3],
    ['assistant', 1],
  ]);
  expect(brokenRules(QUALITY, 'assistant').map(({ rule: name }) => name)).toEqual(['lot-missing']);
  const counts = brokenRules({ ...QUALITY, to_mend: [] }, 'endoscopist');
  expect(counts.map(({ found, records }) => [found, records.length])).toEqual([
    [2, 0],
    [1, 0],
  ]);
});

/** Caught a planted bug: "lately" of the first months of the list instead of the last. */
test('fields are summed over months, the emptiest first, the last three months beside them', () => {
  const month = (name: string, field: string, filled: number, of: number) => ({
    month: name,
    field,
    filled,
    disagreed: 1,
    of,
  });
  const fields = fieldsFilled([
    month('2026-08', 'sex', 4, 4),
    month('2026-05', 'inr', 0, 5),
    month('2026-06', 'inr', 1, 2),
    month('2026-07', 'inr', 1, 1),
    month('2026-08', 'inr', 2, 2),
    month('2026-08', 'signature', 0, 0),
  ]);

  expect(fields).toEqual([
    { field: 'inr', filled: 4, disagreed: 4, of: 10, lately: { filled: 4, of: 5 } },
    { field: 'sex', filled: 4, disagreed: 1, of: 4, lately: { filled: 4, of: 4 } },
  ]);
});
