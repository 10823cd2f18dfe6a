import { expect, test } from 'vitest';
import { mayChoose } from './decisions-draft';

// A desk that may choose every answer turned this red.
test('[HAZ-45] of two answers on a visit a desk never chooses the end', () => {
  expect(mayChoose('visit', 'status', 'ended', 'bedside')).toBe(true);
  expect(mayChoose('visit', 'status', 'ended', 'booking')).toBe(false);
  expect(mayChoose('visit', 'status', 'ended', undefined)).toBe(false);
  expect(mayChoose('visit', 'status', 'booked', 'booking')).toBe(true);
  expect(mayChoose('visit', 'ended_because', 'died', 'booking')).toBe(true);
});
