/** The step protocol: its order, its end, and what is recorded out of turn. */
import { expect, test } from 'vitest';
import { packagedRuleBook } from './packaged-rule-files';
import {
  CHOOSE,
  findOutOfTurn,
  followProtocol,
  type Move,
  NO_ROUND,
  type PlannedTarget,
  readProtocol,
  type StepEvent,
  type StepOutcome,
} from './step-protocol';

const steps = readProtocol(packagedRuleBook('2026-11-25'));
const targets: PlannedTarget[] = [
  { label: 'A', wantsAdhesive: true, coilsPlanned: 2 },
  { label: 'B', wantsAdhesive: false, coilsPlanned: 1 },
];

/** Numbers from 0 below 1, the same for the same seed (a linear congruence). */
function seeded(seed: number): (below: number) => number {
  let state = seed + 1;
  return (below) => {
    state = (state * 1_103_515_245 + 12_345) % 2_147_483_648;
    return Math.floor((state / 2_147_483_648) * below);
  };
}

function pressPrimary(events: StepEvent[], presses: number, bloodReturn: StepOutcome): StepEvent[] {
  for (let press = 0; press < presses; press++) {
    const now = followProtocol(steps, targets, events);
    if (now.step === null) return events;
    const outcome = now.step === 'blood_return' ? bloodReturn : 'done';
    events.push({ step: now.step, round: now.round, outcome, move: now.choices[0] ?? null });
  }
  return events;
}

test('[ST1] [ST9] the primary action goes through every step of the protocol and ends', () => {
  const events = pressPrimary([], 500, 'done');

  expect(followProtocol(steps, targets, events).isFinished).toBe(true);
  expect(new Set(events.map(({ step }) => step))).toEqual(
    new Set([...steps.map(({ id }) => id), CHOOSE]),
  );
  const order = new Map(steps.map(({ id }, place) => [id, place]));
  const passed = events.filter(({ step }) => step !== CHOOSE);
  for (const [place, after] of passed.entries()) {
    const before = passed[place - 1];
    if (before && JSON.stringify(before.round) === JSON.stringify(after.round)) {
      expect(order.get(before.step)).toBeLessThan(order.get(after.step) ?? 0);
    }
  }
  expect(findOutOfTurn(steps, targets, events)).toEqual([]);
});

/** Has caught: the coil as the first choice where adhesive was wanted. */
test('[ST7] without blood return the primary action never leads past the gate', () => {
  const events = pressPrimary([], 120, 'not-seen');

  expect(events).toHaveLength(120);
  const passed = new Set(events.map(({ step }) => step));
  expect(['aliquot_ready', 'injection', 'package_opened'].filter((id) => passed.has(id))).toEqual(
    [],
  );
});

/** Has caught: `mayInject` without `hasBlood`. */
test('[ST7] adhesive is never offered at a puncture where blood return was not seen', () => {
  let offered = 0;
  for (let seed = 0; seed < 100; seed++) {
    const chance = seeded(seed);
    const events: StepEvent[] = [];
    for (let press = 0; press < 100; press++) {
      const now = followProtocol(steps, targets, events);
      expect(now.isFinished).toBe(now.step === null);
      if (now.step === null) break;
      if (now.choices.includes('adhesive') || now.choices.includes('another_aliquot')) {
        offered += 1;
        const returned = events.findLast(
          ({ step, round }) =>
            step === 'blood_return' &&
            round.target === now.round.target &&
            round.puncture === now.round.puncture,
        );
        expect(['done', 'override']).toContain(returned?.outcome);
      }
      const outcome = (['done', 'done', 'done', 'not-seen', 'skipped'] as const)[chance(5)];
      const move = now.choices[chance(now.choices.length)] ?? null;
      events.push({ step: now.step, round: now.round, outcome: outcome ?? 'done', move });
      if (chance(10) === 0) events.splice(chance(events.length), 1);
    }
  }
  expect(offered).toBeGreaterThan(50);
});

/** Has caught: the round left out of the comparison. */
test('[ST3] [ST10] what is recorded out of turn is kept and told', () => {
  const done = (step: string, round = NO_ROUND): StepEvent => ({
    step,
    round,
    outcome: 'done',
    move: null,
  });
  const ids = steps.slice(0, 4).map(({ id }) => id);
  const [first = '', second = '', third = '', fourth = ''] = ids;
  const early = [done(first), done(third), done(second)];

  expect(findOutOfTurn(steps, targets, early)).toEqual([1]);
  expect(followProtocol(steps, targets, early).step).toBe(fourth);

  const inTurn = pressPrimary([], 500, 'done');
  const place = inTurn.findIndex(({ step }) => step === 'needle_flushed');
  const elsewhere = done('needle_flushed', { ...NO_ROUND, target: 'A', puncture: 2 });
  expect(findOutOfTurn(steps, targets, [...inTurn.slice(0, place), elsewhere])).toEqual([place]);
});

test('[ST10] an override is not out of turn and opens the gate', () => {
  const events = pressPrimary([], 500, 'not-seen').slice(0, 24);
  while (followProtocol(steps, targets, events).step !== CHOOSE) {
    const now = followProtocol(steps, targets, events);
    const step = now.step ?? '';
    const outcome = step === 'blood_return' ? 'not-seen' : 'done';
    events.push({ step, round: now.round, outcome, move: null });
  }
  const { round } = followProtocol(steps, targets, events);
  events.push({ step: 'blood_return', round, outcome: 'override', move: null });

  expect(findOutOfTurn(steps, targets, events)).toEqual([]);
  expect(followProtocol(steps, targets, events).step).toBe('package_opened');
});

test('[ST1] [ST3] any list of events has a current step or an end', () => {
  const ids = [...steps.map(({ id }) => id), CHOOSE, 'a step of a newer version'];
  const moves: (Move | null)[] = [null, 'coil', 'adhesive', 'try_again', 'next_target', 'withdraw'];
  const outcomes: StepOutcome[] = ['done', 'not-seen', 'skipped', 'override'];
  for (let seed = 0; seed < 200; seed++) {
    const chance = seeded(seed);
    const pick = <T>(list: readonly T[]): T => list[chance(list.length)] as T;
    const events = Array.from({ length: chance(150) }, () => ({
      step: pick(ids),
      round: {
        target: pick([null, 'A', 'B', 'C']),
        puncture: pick([null, 1, 2]),
        coil: pick([null, 1]),
        aliquot: pick([null, 1]),
      },
      outcome: pick(outcomes),
      move: pick(moves),
    }));
    const now = followProtocol(steps, targets, events);
    expect(now.isFinished).toBe(now.step === null);
    expect(now.choices.length > 0).toBe(now.step === CHOOSE);
  }
});
