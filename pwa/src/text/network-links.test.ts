/** What is said of pairs that may be one patient. */
import { expect, test } from 'vitest';
import { historyWords, networkLinks } from './network-links';

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
