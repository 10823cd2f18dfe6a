/** A hand scanner is told from a typist and from a pedal, and no key is lost. */
import fc from 'fast-check';
import { expect, test } from 'vitest';
import { readPedalKey } from './pedal-keys';
import { codeText, LONGEST_GAP_MS, SHORTEST_CODE, type WedgeKey, WedgeKeys } from './wedge-keys';

const key = (name: string, atMs: number, more: Partial<WedgeKey> = {}): WedgeKey => ({
  key: name,
  code: '',
  ctrlKey: false,
  altKey: false,
  metaKey: false,
  repeat: false,
  atMs,
  ...more,
});

/** Type the names one after another; returns codes read, keys given back, and what passed by. */
function type(names: readonly (string | Partial<WedgeKey>)[], gapMs: number) {
  const keys = new WedgeKeys();
  const read: string[] = [];
  const released: string[] = [];
  const passed: string[] = [];
  let atMs = 1_000;
  for (const name of names) {
    const pressed = typeof name === 'string' ? key(name, atMs) : key('', atMs, name);
    const taken = keys.take(pressed);
    released.push(...taken.released.map((one) => one.key));
    if (taken.kind === 'read') read.push(taken.text);
    if (taken.kind === 'passed') passed.push(pressed.key);
    atMs += gapMs;
  }
  released.push(...keys.giveUp(atMs + 10 * LONGEST_GAP_MS).map((one) => one.key));
  return { read, released, passed };
}

const CODE = '0109506000134352\u001d17270430';

test('a burst that ends with Enter is one code, separators and all', () => {
  expect(type([...CODE, 'Enter'], 4)).toEqual({ read: [CODE], released: [], passed: [] });
});

test.each([
  ['the character itself', ['\u001d']],
  ['Ctrl and ]', [{ key: 'Control' }, { key: ']', ctrlKey: true }]],
  ['Ctrl and 5', [{ key: 'Control' }, { key: '5', ctrlKey: true }]],
  ['{GS}', [...'{GS}']],
  ['^]', [...'^]']],
])('the separator may be sent as %s', (_, sent) => {
  const { read } = type([...'10AB12', ...sent, ...'21X9', 'Enter'], 4);

  expect(read).toEqual(['10AB12\u001d21X9']);
});

test('a symbology identifier before the code stays as it is', () => {
  expect(type([...']d20109506000134352', 'Enter'], 4).read).toEqual([']d20109506000134352']);
  expect(codeText(']C110AB')).toBe(']C110AB');
});

test('capitals come with Shift, and a space within a HIBC code belongs to it', () => {
  const sent = ['Shift', '+', 'Shift', 'A', ...'99 12', 'Enter'];
  expect(type(sent, 3)).toEqual({ read: ['+A99 12'], released: [], passed: ['Shift', 'Shift'] });
});

test.each([
  [LONGEST_GAP_MS - 1, 1],
  [LONGEST_GAP_MS, 1],
  [LONGEST_GAP_MS + 1, 0],
])('keys %d ms apart: %d code', (gapMs, codes) => {
  expect(type([...CODE, 'Enter'], gapMs).read).toHaveLength(codes);
});

test.each([
  [SHORTEST_CODE - 1, 0],
  [SHORTEST_CODE, 1],
  [SHORTEST_CODE + 1, 1],
])('%d characters and Enter: %d code', (count, codes) => {
  expect(type([...'1'.repeat(count), 'Enter'], 4).read).toHaveLength(codes);
});

/** Caught a planted bug: the gap before Enter not looked at, so that a pause made a code of it. */
test('a pause before Enter makes no code: that Enter is a pedal', () => {
  const keys = new WedgeKeys();
  [...'12345678'].forEach((one, place) => {
    keys.take(key(one, place * 4));
  });
  const taken = keys.take(key('Enter', 28 + LONGEST_GAP_MS + 1));

  expect(taken.kind).toBe('passed');
  expect(taken.released).toHaveLength(8);
});

test('a key held down is nobody’s code', () => {
  expect(type([...Array(9).fill({ key: '1', repeat: true }), 'Enter'], 4).read).toEqual([]);
});

const names = fc.array(
  fc.oneof(
    fc.constantFrom('Enter', ' ', 'PageDown', 'ArrowLeft', 'Shift', 'Tab', 'b', ']'),
    fc.string({ minLength: 1, maxLength: 1, unit: 'grapheme-ascii' }),
  ),
  { maxLength: 40 },
);
const timed = (least: number, most: number) =>
  fc.tuple(
    names,
    fc.array(fc.integer({ min: least, max: most }), { minLength: 40, maxLength: 40 }),
  );

function play([pressed, gaps]: [string[], number[]]) {
  const keys = new WedgeKeys();
  const out: string[] = [];
  let read = 0;
  let atMs = 0;
  for (const [place, name] of pressed.entries()) {
    atMs += gaps[place] ?? 0;
    const taken = keys.take(key(name, atMs));
    out.push(...taken.released.map((one) => one.key));
    if (taken.kind === 'read') {
      read += 1;
      out.push(`read ${taken.text.length}`);
    }
    if (taken.kind === 'passed') out.push(name);
  }
  out.push(...keys.giveUp(atMs + 1_000).map((one) => one.key));
  return { read, out };
}

/** Caught a planted bug: a burst that ran on over a pause, `isInBurst` true for every later key. */
test('a typist is never taken for a scanner, and gets every key back in order', () => {
  fc.assert(
    fc.property(timed(LONGEST_GAP_MS + 1, 400), (typed) => {
      const { read, out } = play(typed as [string[], number[]]);
      expect(read).toBe(0);
      // Shift passes by at once, before a key that waits; it types nothing itself.
      const typing = (all: string[]) => all.filter((name) => name !== 'Shift');
      expect(typing(out)).toEqual(typing(typed[0]));
    }),
  );
});

/** Caught a planted bug: the characters released by PageDown dropped instead of given back. */
test('of keys at any speed each is given back or read, once', () => {
  fc.assert(
    fc.property(timed(0, 120), (typed) => {
      const { out } = play(typed as [string[], number[]]);
      const counted = out.reduce(
        (sum, one) => sum + (one.startsWith('read ') ? Number(one.slice(5)) + 1 : 1),
        0,
      );
      // A written separator is one character of the code and several keys.
      const joined = typed[0].join('');
      fc.pre(!joined.includes('{GS}') && !joined.includes('^]'));
      expect(counted).toBe(typed[0].length);
    }),
  );
});

/** [HAZ-23] A pedal key alone reaches the screen: at once, or given back unread. */
test('no standard key of a pedal is kept from the screen', () => {
  for (const name of ['PageDown', 'PageUp', 'ArrowRight', 'ArrowLeft', 'Enter', ' ']) {
    const { read, released, passed } = type([name, name, name], 20);
    expect([read, released]).toEqual([[], []]);
    expect(passed).toEqual([name, name, name]);
    expect(readPedalKey(key(name, 0))).not.toBeNull();
  }
  expect(type(['b'], 0)).toEqual({ read: [], released: ['b'], passed: [] });
});
