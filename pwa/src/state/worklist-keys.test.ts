import { expect, test } from 'vitest';
import { askedBy, KEYS, type KeyDown, placeAfter, wouldPressAgain } from './worklist-keys';

const down = (key: string, more: Partial<KeyDown> = {}): KeyDown => ({
  key,
  repeat: false,
  ctrlKey: false,
  altKey: false,
  metaKey: false,
  isComposing: false,
  ...more,
});

test('each common act has one key, and no two share one', () => {
  const keys = Object.values(KEYS);

  expect(new Set(keys).size).toBe(keys.length);
  for (const [act, key] of Object.entries(KEYS)) {
    expect(askedBy(down(key), false)).toEqual({ kind: 'act', act });
    expect(askedBy(down(key.toUpperCase()), false)).toEqual({ kind: 'act', act });
  }
  expect(askedBy(down('3'), false)).toEqual({ kind: 'choice', place: 2 });
  expect(askedBy(down('z'), false)).toBeNull();
});

/** Has caught a planted bug: `repeat` looked at for letters alone. */
test('[HAZ-14] a held key records nothing a second time; only moving goes on', () => {
  for (const key of [...Object.values(KEYS), '1', 'Escape']) {
    expect(askedBy(down(key, { repeat: true }), false)).toBeNull();
  }
  expect(askedBy(down('ArrowDown', { repeat: true }), false)).toEqual({ kind: 'move', to: 'next' });
  expect(wouldPressAgain(down('Enter', { repeat: true }))).toBe(true);
  expect(wouldPressAgain(down(' ', { repeat: true }))).toBe(true);
  expect(wouldPressAgain(down('Enter'))).toBe(false);
});

test('in a text letters are letters, and a key of the browser stays one', () => {
  expect(askedBy(down('b'), true)).toBeNull();
  expect(askedBy(down('1'), true)).toBeNull();
  expect(askedBy(down('ArrowUp'), true)).toBeNull();
  expect(askedBy(down('ArrowDown'), true)).toEqual({ kind: 'move', to: 'next' });
  expect(askedBy(down('Escape'), true)).toEqual({ kind: 'leave' });
  for (const held of ['ctrlKey', 'altKey', 'metaKey', 'isComposing'] as const) {
    expect(askedBy(down('b', { [held]: true }), false)).toBeNull();
  }
});

test.each([
  ['next', -1, 3, 0],
  ['next', 1, 3, 2],
  ['next', 2, 3, 2],
  ['previous', 0, 3, 0],
  ['previous', 2, 3, 1],
  ['first', 2, 3, 0],
  ['last', 0, 3, 2],
  ['next', -1, 0, -1],
] as const)('%s from %i of %i is %i', (to, place, count, after) => {
  expect(placeAfter(to, place, count)).toBe(after);
});
