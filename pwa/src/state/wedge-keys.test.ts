/** A hand scanner is told from a typist and from a pedal; no key of theirs is lost, no other kept. */
import fc from 'fast-check';
import { expect, test } from 'vitest';
import { readPedalKey } from './pedal-keys';
import {
  codeText,
  LONGEST_GAP_MS,
  SCANNERS_LEAST,
  SHORTEST_CODE,
  STUTTER_MS,
  type WedgeKey,
  WedgeKeys,
} from './wedge-keys';

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

/**
 * Type the names one after another, a number being a pause of so many milliseconds instead of the
 * gap; returns codes read, codes lost, keys given back, and what passed by.
 */
function type(names: readonly (string | number | Partial<WedgeKey>)[], gapMs: number) {
  const keys = new WedgeKeys();
  const read: string[] = [];
  let lost = 0;
  const released: string[] = [];
  const passed: string[] = [];
  let atMs = 1_000;
  for (const name of names) {
    if (typeof name === 'number') {
      atMs += name - gapMs;
      continue;
    }
    const pressed = typeof name === 'string' ? key(name, atMs) : key('', atMs, name);
    const taken = keys.take(pressed);
    released.push(...taken.released.map((one) => one.key));
    if (taken.kind === 'read') read.push(taken.text);
    if (taken.kind === 'passed') passed.push(pressed.key);
    if (taken.kind === 'lost') lost += 1;
    atMs += gapMs;
  }
  released.push(...keys.giveUp(atMs + 10 * LONGEST_GAP_MS).map((one) => one.key));
  return { read, lost, released, passed };
}

const CODE = '0109506000134352\u001d17270430';

test('a burst that ends with Enter is one code, separators and all', () => {
  expect(type([...CODE, 'Enter'], 4)).toEqual({ read: [CODE], lost: 0, released: [], passed: [] });
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

const underAlt = (digits: string, more: Partial<WedgeKey> = {}) => [
  { key: 'Alt', altKey: true },
  ...[...digits].map((one) => ({ key: one, code: `Numpad${one}`, altKey: true, ...more })),
];

/** [HAZ-46] Caught: the digits of Alt+029 became part of the lot, and the expiry date its end. */
test.each([
  ['029', underAlt('029')],
  ['0029', underAlt('0029')],
  ['29', underAlt('29')],
  ['digits of another row', underAlt('029', { code: '' })],
  [
    '029 without NumLock',
    underAlt('029').map((one) => ('code' in one ? { ...one, key: 'End' } : one)),
  ],
])('the separator typed under Alt as %s is the separator', (_, sent) => {
  const { read, passed } = type([...'10AB12', ...sent, ...'17290110', 'Enter'], 4);

  expect(read).toEqual(['10AB12\u001d17290110']);
  expect(passed).toEqual(['Alt']);
});

test('a scanner that types every character by its number is read, and no digit of a number stays', () => {
  const numbers = [...'10AB12'].flatMap((one) => underAlt(`0${one.charCodeAt(0)}`));
  const sent = [...numbers, ...underAlt('029'), ...underAlt('050'), ...underAlt('049')];
  expect(type([...sent, 'Enter'], 4).read).toEqual(['10AB12\u001d21']);
});

test('a number under Alt that is no character of labels leaves a sign that no rule takes', () => {
  const { read } = type([...'10AB12', ...underAlt('0233'), 'Enter'], 4);
  expect(read).toEqual(['10AB12\ufffd']);
});

test('a symbology identifier before the code stays as it is', () => {
  expect(type([...']d20109506000134352', 'Enter'], 4).read).toEqual([']d20109506000134352']);
  expect(codeText(']C110AB')).toBe(']C110AB');
});

test('capitals come with Shift, and a space within a HIBC code belongs to it', () => {
  const sent = ['Shift', '+', 'Shift', 'A', ...'99 12', 'Enter'];
  expect(type(sent, 3)).toMatchObject({
    read: ['+A99 12'],
    released: [],
    passed: ['Shift', 'Shift'],
  });
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

const CONTROL_J = { key: 'j', ctrlKey: true };
const CONTROL_M = { key: 'm', ctrlKey: true };

/** [HAZ-23] Each of them pressed the primary action, or the button that had the focus. */
test.each([
  ['Enter twice', ['Enter', 'Enter']],
  ['carriage return and line feed as Enter and ArrowDown', ['Enter', 'ArrowDown']],
  ['both as Ctrl with a letter', [CONTROL_M, CONTROL_J]],
  ['Enter and Tab', ['Enter', 'Tab']],
  ['Enter and a space', ['Enter', ' ']],
  ['Tab', ['Tab']],
  ['Tab and Enter', ['Tab', 'Enter']],
  ['ArrowDown', ['ArrowDown']],
])('a code that ends with %s is read once, and nothing of it gets by', (_, end) => {
  expect(type([...CODE, ...end], 4)).toEqual({ read: [CODE], lost: 0, released: [], passed: [] });
});

/** [HAZ-23] Caught a planted bug: the end of a code not counted as a key of the scanner. */
test.each([
  [LONGEST_GAP_MS - 1, []],
  [LONGEST_GAP_MS, []],
  [LONGEST_GAP_MS + 1, ['Enter']],
])('an Enter %d ms after a code: passed %j', (pauseMs, passed) => {
  expect(type([...CODE, 'Enter', pauseMs, 'Enter'], 4).passed).toEqual(passed);
});

test('two codes in one pull of the trigger are both read', () => {
  expect(type([...CODE, 'Enter', ...'10AB123', 'Enter'], 4).read).toEqual([CODE, '10AB123']);
});

test.each(['PageDown', 'Enter', ' ', 'ArrowDown'])('[HAZ-23] a pedal after a scan: %j', (name) => {
  for (const pauseMs of [60, 61, 400]) {
    expect(type([...CODE, 'Enter', pauseMs, name], 4).passed).toEqual([name]);
  }
});

/** [HAZ-23] An Enter of two to five characters pressed the primary action. */
test.each([2, 3, SHORTEST_CODE - 1])('%d characters and Enter are a code lost', (count) => {
  const { read, lost, passed, released } = type([...'1'.repeat(count), 'Enter', 'Enter'], 4);
  expect({ read, lost, passed, released }).toEqual({ read: [], lost: 1, passed: [], released: [] });
});

test('one character and Enter are a learned pedal and another', () => {
  expect(type(['b', 'Enter'], 4)).toEqual({
    read: [],
    lost: 0,
    released: ['b'],
    passed: ['Enter'],
  });
});

/** [HAZ-46] Caught: "…10A" a pause "1021B77" was read as the label of the lot 21B77. */
test.each([
  ['a long piece first', ['0109506000134352', '1021B77']],
  ['three characters first', ['10A', '1021B77']],
  ['two characters first', ['21', '10ABCDE']],
  ['one character first', ['2', '110ABCDE']],
  ['three pieces', ['0109506', '000', '10ABCDE']],
  ['a last piece of one character', ['010950600013435210AB', 'C']],
  ['a piece with a space', ['+A99 1', ' 10ABCDE']],
  ['nothing but the end after the pause', ['0109506000134352', '']],
])('a code torn by pauses is lost whole, %s', (_, pieces) => {
  for (const pauseMs of [LONGEST_GAP_MS + 1, 200, STUTTER_MS - 1]) {
    const torn = pieces.flatMap((piece, place) => (place === 0 ? [...piece] : [pauseMs, ...piece]));
    const { read, lost, passed, released } = type([...torn, 'Enter', 'Enter'], 4);
    expect({ read, lost, passed }).toEqual({ read: [], lost: 1, passed: [] });
    // What is too short to be told from a person is given back; a space would press.
    expect(released).toEqual(pieces[0] && pieces[0].length < SCANNERS_LEAST ? [...pieces[0]] : []);
  }
});

test.each([
  [STUTTER_MS - 1, 0],
  [STUTTER_MS, 1],
  [STUTTER_MS + 1, 1],
])('a code %d ms after a torn piece without an end: %d code', (pauseMs, codes) => {
  expect(type([...'01095', pauseMs, ...CODE, 'Enter'], 4).read).toHaveLength(codes);
});

test('after a torn code the next is read at once', () => {
  const torn = [...'01095', 80, ...'1021B77', 'Enter'];
  expect(type([...torn, 60, ...CODE, 'Enter'], 4).read).toEqual([CODE]);
});

/** Caught a planted bug: the gap before Enter not looked at, so that a pause made a code of it. */
test.each([
  [STUTTER_MS - 1, []],
  [STUTTER_MS, ['Enter']],
  [STUTTER_MS + 1, ['Enter']],
])('an Enter %d ms after a code without an end is a pedal: %j', (pauseMs, passed) => {
  const typed = type([...'12345678', pauseMs, 'Enter'], 4);
  expect([typed.read, typed.passed]).toEqual([[], passed]);
});

/** [HAZ-23] A piece given back would press with a learned letter, or with a space. */
test('nothing of a burst of three or more is given back, and no space of a shorter one', () => {
  expect(type(['b', 'b'], 4).released).toEqual(['b', 'b']);
  expect(type(['b', 'b', 'b'], 4).released).toEqual([]);
  expect(type(['b', ' '], 4).released).toEqual(['b']);
  expect(type(['b', 'b', 'b', 'PageDown'], 4).passed).toEqual([]);
  expect(type(['b', 'b', 'b', 60, 'PageDown'], 4).passed).toEqual(['PageDown']);
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

/** Play keys with their gaps; returns codes read, and the places of the keys that came out. */
function play([pressed, gaps]: [string[], number[]]) {
  const keys = new WedgeKeys();
  const places = new Map<WedgeKey, number>();
  const times: number[] = [];
  const out: number[] = [];
  const put = (all: readonly WedgeKey[]) => out.push(...all.map((one) => places.get(one) ?? -1));
  let read = 0;
  let atMs = 0;
  for (const [place, name] of pressed.entries()) {
    atMs += gaps[place] ?? 0;
    times.push(atMs);
    const one = key(name, atMs);
    places.set(one, place);
    const taken = keys.take(one);
    put(taken.released);
    if (taken.kind === 'read') read += 1;
    if (taken.kind === 'passed') put([one]);
  }
  put(keys.giveUp(atMs + 1_000));
  // Shift passes by at once, before a key that waits; it types nothing itself.
  const typing = (all: number[]) => all.filter((place) => pressed[place] !== 'Shift');
  return { read, times, out: typing(out), all: typing([...pressed.keys()]) };
}

/** Caught a planted bug: a burst that ran on over a pause, `isInBurst` true for every later key. */
test('a typist is never taken for a scanner, and gets every key back in order', () => {
  fc.assert(
    fc.property(timed(LONGEST_GAP_MS + 1, 400), (typed) => {
      const { read, out, all } = play(typed as [string[], number[]]);
      expect(read).toBe(0);
      expect(out).toEqual(all);
    }),
  );
});

/** Caught a planted bug: `SCANNERS_LEAST` of two, which kept what a quick hand rolls. */
test('of two letters rolled into one another each is given back, in order', () => {
  const letters = fc.array(fc.constantFrom(...'abcdefgh'), { maxLength: 40 });
  const gap = fc.integer({ min: 0, max: LONGEST_GAP_MS });
  const pause = fc.integer({ min: LONGEST_GAP_MS + 1, max: 400 });
  fc.assert(
    fc.property(letters, fc.array(fc.tuple(pause, gap), { minLength: 20 }), (typed, pairs) => {
      const { read, out, all } = play([typed, pairs.flat()]);
      expect(read).toBe(0);
      expect(out).toEqual(all);
    }),
  );
});

/**
 * [HAZ-23] What is kept from the page stands within a scanner's pace of another key, or follows
 * one that does by less than a stutter.
 *
 * Caught a planted bug: a torn code that no silence ends, so that a later Enter was dropped.
 */
test('of keys at any speed none comes out twice, and none is kept that stands alone', () => {
  fc.assert(
    fc.property(timed(0, 700), (typed) => {
      const { times, out, all } = play(typed as [string[], number[]]);
      expect(out).toEqual([...new Set(out)].sort((one, other) => one - other));
      const kept = all.filter((place) => !out.includes(place));
      const gapBefore = (at: number) => {
        const before = all[at - 1];
        const itself = all[at];
        if (before === undefined || itself === undefined) return Number.POSITIVE_INFINITY;
        return (times[itself] ?? 0) - (times[before] ?? 0);
      };
      for (const place of kept) {
        const at = all.indexOf(place);
        const isClose = Math.min(gapBefore(at), gapBefore(at + 1)) <= LONGEST_GAP_MS;
        // A key of a pedal may pass by in between: what counts is the kept one before it.
        const isRest = kept.some(
          (one) => one < place && (times[place] ?? 0) - (times[one] ?? 0) < STUTTER_MS,
        );
        expect(isClose || isRest).toBe(true);
      }
    }),
    { numRuns: 500 },
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
  expect(type(['b'], 0)).toEqual({ read: [], lost: 0, released: ['b'], passed: [] });
});
