import { expect, test } from 'vitest';
import type { AsideWord, NetworkAside } from '../network-questions';
import { asideHeads, asideWords, networkAside as said } from '../text/network-aside';
import { againKey, orderAside, standsByMistake, tellsAside } from './network-aside';

const word = (more: Partial<AsideWord> = {}): AsideWord => ({
  record: 'network_recall/1',
  kind: 'recall',
  act: 'withdrawn',
  at_ms: 1_790_000_000_000,
  by_name: 'Ida Norrwood',
  because: '',
  item: 'coil',
  criteria: { lots: ['VK4417'] },
  issued_on: '2026-03-10',
  file: '',
  version: 0,
  unit_names: [],
  ...more,
});
const sound: NetworkAside = {
  put_back_ms: null,
  is_open: false,
  words: [],
  more: 0,
  of_units: 0,
  forks: 0,
  damaged: 0,
  waiting: 0,
};

/** Caught: no part of the hub's desk told what a restore had set aside. */
test('[RG13] [HAZ-46] a withdrawn recall that stands in force again is told first', () => {
  const words = [
    word({ kind: 'link', act: 'joined', at_ms: 9 }),
    word({ kind: 'link', act: 'parted', at_ms: 3 }),
    word({ act: 'begun', at_ms: 8 }),
    word({ kind: 'rule-file', act: 'withdrawn', at_ms: 4 }),
    word({ at_ms: 1 }),
  ];

  expect(orderAside(words).map(againKey)).toEqual([
    'recallWithdrawn',
    'fileWithdrawn',
    'linkParted',
    'recallOther',
    'linkOther',
  ]);
  expect(words.map(standsByMistake)).toEqual([false, true, false, true, true]);
});

test('each act is told with what it was about, by whom, and what to do again', () => {
  const [recall, file, link] = [
    word({ because: 'The notice was withdrawn' }),
    word({ kind: 'rule-file', act: 'offered', file: 'trace/default', version: 1001, by_name: '' }),
    word({ kind: 'link', act: 'parted', unit_names: ['Tarn Hollow', 'Marlow Fen'] }),
  ];

  expect(asideHeads(recall)).toBe('Coil · lot VK4417 · Tue 10 Mar 2026');
  expect(asideWords(recall)).toMatch(/^Withdrawn by Ida Norrwood, .* \(The notice was withdrawn\)/);
  expect(said.again[againKey(recall)]).toMatch(/stands in force here again.*Recalls/);
  expect(asideHeads(file)).toBe('trace/default, version 1001');
  expect(asideWords(file)).toMatch(/^Offered to the units by somebody not known here any more, /);
  expect(asideHeads(link)).toBe('A pair of Tarn Hollow and Marlow Fen');
  expect(asideHeads(word({ kind: 'link' }))).toBe('A pair of patients');
});

test.each([
  [{}, false],
  [{ put_back_ms: 5 }, false],
  [{ put_back_ms: 5, is_open: true }, true],
  [{ words: [word()] }, true],
  [{ of_units: 1 }, true],
  [{ forks: 1 }, true],
  [{ damaged: 1 }, true],
  [{ waiting: 1 }, true],
])('a sound hub has nothing to tell (%o)', (more, tells) => {
  expect(tellsAside({ ...sound, ...more })).toBe(tells);
});
