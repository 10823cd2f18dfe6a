/** What is said of pairs that may be one patient. */
import { expect, test } from 'vitest';
import type { LinkWeighing } from '../network-questions';
import {
  historyWords,
  identifierWords,
  networkLinks,
  voiceWords,
  weighingRows,
} from './network-links';

/** Caught, as it was: "Thu 1 Jan 1970, 00:00: proposed by hub". */
test('a proposal is told first and at no hour', () => {
  const event = { at_ms: 0, act: 'proposed', staff: 'hub', name: '', because: '' } as const;

  expect(historyWords(event)).toBe('First: proposed by hub');
});

/** Caught, as it was: "1 is open." over the pairs that were joined. */
test('how many are not settled is said so that it is true over every list', () => {
  expect([0, 1, 2].map(networkLinks.open)).toEqual([
    'Every pair is settled.',
    '1 pair is not settled yet.',
    '2 pairs are not settled yet.',
  ]);
});

const WEIGHING: LinkWeighing = {
  weights: 'encoded_weights',
  version: 1,
  others: 5_000,
  elsewhere_per_mille: 100,
  start_tenths: -156,
  fields: [
    { trait: 'names', level: 'alike', tenths: 121 },
    { trait: 'day of birth', level: 'the same', tenths: 145 },
    { trait: 'gait', level: 'near', tenths: null },
  ],
  sum_tenths: 110,
  per_mille: 999,
  is_sure: false,
  shown_from_tenths: -20,
  shown_from_per_mille: 200,
  identifiers: ['names', 'day of birth'],
  identifiers_needed: 2,
};

/** Caught, as it was: "97 in 100 such pairs are one person" and nothing of what that rests on. */
test('a score is told field by field with its points, its sum and the threshold beside it', () => {
  const rows = weighingRows(WEIGHING).map(({ id, points }) => [id, points]);

  expect(rows).toEqual([
    ['start', '\u221215.6'],
    ['names', '+12.1'],
    ['day of birth', '+14.5'],
    ['sex', 'not compared'],
    ['national-number', 'not compared'],
    ['gait', 'not weighed here'],
    ['sum', '+11.0'],
    ['from', '\u22122.0'],
  ]);
  const [sum, from] = weighingRows(WEIGHING).slice(-2);
  expect(sum?.level).toBe('99 in 100 such pairs are one person');
  expect(from?.level).toBe('20 in 100 such pairs are one person; below, nobody is asked');
  expect(identifierWords(WEIGHING)).toMatch(
    /^2 identifiers agree: Names, as coded letters, Day of birth\. To join takes 2,/,
  );
  const sure = weighingRows({ ...WEIGHING, is_sure: true });
  expect(sure.find(({ id }) => id === 'sum')?.level).toMatch(/^the same national number/);
});

test('who gave a voice stands with the hour, and with the reason where it parts', () => {
  const voice = { staff: 'staff/ida', name: 'Ida', at_ms: 0, because: 'joined-in-error' };

  expect(voiceWords('joining', voice)).toMatch(/^Ida said that they are one person \(.+\)\.$/);
  expect(voiceWords('parting', voice)).toContain('parted: They were joined in error (');
});
