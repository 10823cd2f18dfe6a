/** Proves that the words of the lock, of PINs and of revoking say what is so. */
import { expect, test } from 'vitest';
import { lockWords } from './lock';
import { unitDesk } from './unit-desk';

const NOW_MS = 1_000;
const WAITING = { kind: 'waiting', waitUntilMs: 31_000 } as const;

/** Caught, as it stood: "others can unlock now", where one person alone has a PIN. */
test('others are named as able to unlock where there are some, and not where there are none', () => {
  const said = (others?: number) => lockWords.answer(WAITING, 'Anna', NOW_MS, others);
  expect(said()).toBe('Too many wrong PINs for Anna. Next try in 0:30.');
  expect(said(0)).toBe('Too many wrong PINs for Anna. Next try in 0:30.');
  expect(said(1)).toMatch(/0:30\. One other person can unlock now\.$/);
  expect(said(3)).toMatch(/0:30\. 3 others can unlock now\.$/);
});

/** Caught: "somebody who has one can add them again", said where nobody has one any more. */
test('where nobody has a PIN any more it says what opens the records, and that nothing is gone', () => {
  const said = (isNobodyLeft?: true) =>
    lockWords.answer({ kind: 'removed', ...(isNobodyLeft && { isNobodyLeft }) }, 'Anna', NOW_MS);
  expect(said()).toMatch(/can add Anna again\.$/);
  expect(said(true)).toMatch(/Nothing recorded was removed; the unit gives the key back/);
  expect(said(true)).toMatch(/an emergency case can begin now\.$/);
});

/** Caught, as it stood: the pad said "Choose a PIN" and not whose. */
test('the pad names whose PIN it takes', () => {
  expect(lockWords.chooseTitle('Bruno')).toBe('Bruno: choose your PIN');
  expect(lockWords.againTitle('Bruno')).toMatch(/^Bruno/);
  expect(lockWords.handOver('Bruno')).toBe('Hand the tablet to Bruno');
});

/** Caught, as they stood: "It reads nothing any more", said before anybody had pressed. */
test.each(['revokeWhat', 'lostWhat'] as const)('%s says what will be, once revoked', (what) => {
  expect(unitDesk.devices[what]).toMatch(/^Once revoked, it will read nothing any more, /);
  expect(unitDesk.devices[what]).not.toMatch(/\b(reads|clears|is kept|is then)\b/);
});
