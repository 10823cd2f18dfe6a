import { expect, test } from 'vitest';
import { ActTurn, LOCKOUT_MS, REDRAW_LIMIT_MS } from './procedure-turn';

function numbered() {
  let count = 0;
  return () => `act-${++count}`;
}

/** Presses at the given times; each save takes `saveMs`, the redraw 20 ms more. */
function press(timesMs: readonly number[], saveMs: number): string[] {
  const turn = new ActTurn(numbered());
  const acts: string[] = [];
  const due: { atMs: number; does: () => void }[] = [];
  const runUntil = (nowMs: number) => {
    due.sort((a, b) => a.atMs - b.atMs);
    while (due[0] && due[0].atMs <= nowMs) due.shift()?.does();
  };
  for (const nowMs of timesMs) {
    runUntil(nowMs);
    const act = turn.begin(nowMs);
    if (act === null) continue;
    acts.push(act);
    due.push({ atMs: nowMs + saveMs, does: () => turn.end(true, nowMs + saveMs) });
    due.push({ atMs: nowMs + saveMs + 20, does: () => turn.redrawn(act, nowMs + saveMs + 20) });
  }
  return acts;
}

/** Has caught: a lockout of 0 ms after the act was drawn. */
test('[HAZ-14] 1,000 double and triple presses 0 to 400 ms apart are one act each', () => {
  for (let run = 0; run < 1_000; run++) {
    const gapMs = run % 401;
    const times = run % 2 === 0 ? [0, gapMs] : [0, gapMs / 2, gapMs];

    expect(press(times, run % 90)).toEqual(['act-1']);
  }
});

test('[HAZ-14] 1,000 pairs 1.2 s apart and more are two acts', () => {
  for (let run = 0; run < 1_000; run++) {
    expect(press([0, 1_200 + run], run % 90)).toEqual(['act-1', 'act-2']);
  }
});

test('[HAZ-14] the lockout counts from the recorded act to the millisecond', () => {
  const turn = new ActTurn(numbered());
  expect(turn.begin(0)).toBe('act-1');
  turn.end(true, 100);
  turn.redrawn('act-1', 110);

  expect(turn.begin(100 + LOCKOUT_MS - 1)).toBeNull();
  expect(turn.begin(100 + LOCKOUT_MS)).toBe('act-2');
});

test('[HAZ-28] a lost redraw stops recording no longer than the limit', () => {
  const turn = new ActTurn(numbered());
  turn.begin(0);
  turn.end(true, 10);

  expect(turn.begin(10 + REDRAW_LIMIT_MS - 1)).toBeNull();
  expect(turn.begin(10 + REDRAW_LIMIT_MS)).toBe('act-2');
});

test('[HAZ-15] a save that failed may be pressed again at once, as the same act', () => {
  const turn = new ActTurn(numbered());
  expect(turn.begin(0)).toBe('act-1');
  expect(turn.begin(1)).toBeNull();
  turn.end(false, 50);

  expect(turn.begin(51)).toBe('act-1');
});

test('the redraw of another act frees nothing', () => {
  const turn = new ActTurn(numbered());
  turn.begin(0);
  turn.end(true, 0);

  expect(turn.redrawn('act-9', 10)).toBe(false);
  expect(turn.begin(LOCKOUT_MS)).toBeNull();
});
