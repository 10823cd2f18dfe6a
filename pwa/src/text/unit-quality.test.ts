import { expect, test } from 'vitest';
import { likenessWords } from './unit-quality';

/** Caught: two records of one patient under two spellings were told without a reason. */
test('[DM-05] a proposal says how likely it is and what speaks for and against it', () => {
  expect(
    likenessWords({
      per_mille: 994,
      traits: [
        ['order of names', 'as written'],
        ['family name', 'alike'],
        ['given name', 'the same'],
        ['day of birth', 'one slip'],
        ['sex', 'unlike'],
      ],
    }),
  ).toBe(
    'Likely one person, 99.4 %: family name alike; given name the same; birth date but for one slip; sex unlike.',
  );
  expect(likenessWords({ per_mille: 999, traits: [['order of names', 'swapped']] })).toBe(
    'Likely one person, 99.9 %: first and last name swapped.',
  );
});
