import { flushSync } from 'svelte';
import { expect, test } from 'vitest';
import { untoldWords } from '../text/decisions';
import { tell } from '../told';
import { groupByReason, UntoldByUnit } from './untold-by-unit.svelte';

/** One row for all questions, not "cannot be reached" four times. */
test('a unit that cannot be reached is told of once, with all that is not known', () => {
  const untold = new UntoldByUnit();
  for (const question of ['devices', 'plans', 'alarms', 'followUp'] as const) {
    untold.note(question, tell('unreachable'));
  }
  flushSync();

  expect(untold.rows.map(untoldWords)).toEqual([
    'The unit cannot be reached. Not known now: what it set aside; who lacks a next act; second checks of plans; devices not heard of.',
  ]);
  for (const question of ['devices', 'plans', 'alarms', 'followUp'] as const) {
    untold.note(question, '');
  }
  expect(untold.rows).toEqual([]);
});

test('two reasons are two rows, in the order of the screen', () => {
  const whys = new Map([
    ['devices', tell('answerCut')],
    ['alarms', tell('unreachable')],
    ['followUp', tell('answerCut')],
    ['plans', ''],
  ] as const);

  expect(groupByReason(whys)).toEqual([
    { why: tell('unreachable'), questions: ['alarms'] },
    { why: tell('answerCut'), questions: ['followUp', 'devices'] },
  ]);
});
