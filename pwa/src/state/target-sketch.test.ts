import { expect, test } from 'vitest';
import type { CaseKind } from './case-record.svelte';
import type { Json, RecordState } from './shown';
import { loopsOf, partOfSketch, type SketchSources, sketchesOf } from './target-sketch';

let stamps = 0;
function recorded(record: string, set: Record<string, Json>, isEnteredInError = false) {
  stamps += 1;
  const stamp = String(stamps).padStart(6, '0');
  const fields = isEnteredInError
    ? {}
    : Object.fromEntries(
        Object.entries(set).map(([field, value]) => [
          field,
          { values: [{ value, references: [], by: '', stamp }], isConflict: false },
        ]),
      );
  return { record, fields, struck: [], isEnteredInError, heads: [] } as RecordState;
}
const A = 'target/c1-a';
const target = recorded(A, {
  label: 'Varix A',
  order: 1,
  size: { short_axis_um: 14_000, long_axis_um: 22_000, origin: 'measured' },
  distance: { measured_um: 23_000, near_wall_um: 16_000, far_wall_um: 30_000 },
});
const plan = {
  request: {
    coils_in_stock: [
      { id: 'stock_item/s18', loop_um: 18_000 },
      { id: 'stock_item/s14', loop_um: 14_000 },
    ],
  },
  answer: {
    targets: [
      {
        label: 'Varix A',
        needle_stop_um: 21_000,
        coils: { picks: ['stock_item/s18', 'stock_item/s14'] },
      },
    ],
    needle: { dead_space_ul: 1_000 },
  },
};
const stepOf = (act: string, step: string, puncture: number, answers: Json = {}) =>
  recorded(`step_event/${act}`, {
    step,
    round: { target: 'Varix A', puncture, coil: 1, aliquot: null },
    outcome: 'done',
    answers,
  });
const coil = (act: string, loop: number | null, isStruck = false) =>
  recorded(
    `coil_placed/${act}`,
    { target: A, puncture: 'puncture/p1', ...(loop ? { coil: { loop_um: loop } } : {}) },
    isStruck,
  );
const opened = (act: string, item: string, fate: string) =>
  recorded(`package_opened/${act}`, { item, stock_id: 'stock_item/s18', fate });
const mix = (act: string, mix_ul: number) =>
  recorded(`adhesive_injected/${act}`, {
    target: A,
    puncture: 'puncture/p1',
    amount: { mix_ul, parts_adhesive: 1, parts_oil: 0 },
  });
const flush = (act: string, flush_ul: number, puncture = 'puncture/p1') =>
  recorded(`flush/${act}`, {
    target: A,
    ...(puncture ? { puncture } : {}),
    amount: { medium: 'saline', flush_ul },
  });
const loopOf = (stock: string) => (stock === 'stock_item/s18' ? 18_000 : null);

function sketch(
  records: RecordState[],
  from: Partial<SketchSources> = {},
  targets: RecordState[] = [target],
) {
  const all = (kind: CaseKind) =>
    [...targets, ...records].filter(({ record }) => record.startsWith(`${kind}/`));
  const [first] = sketchesOf({ all, plan, loopOf, ...from });
  if (first === undefined) throw new Error('no sketch');
  return first;
}

test('a planned target has its sizes, distances, stop and coils, and nothing done', () => {
  expect(sketch([])).toEqual({
    label: 'Varix A',
    origin: 'measured',
    disputed: [],
    shortUm: 14_000,
    longUm: 22_000,
    thirdUm: null,
    middleUm: 23_000,
    nearUm: 16_000,
    farUm: 30_000,
    route: '',
    crusUm: null,
    feederSeen: '',
    feederUm: null,
    plannedStopUm: 21_000,
    stopUm: null,
    plannedLoopsUm: [18_000, 14_000],
    placedLoopsUm: [],
    discardedLoopsUm: [],
    mixInjectedUl: 0,
    mixOutUl: 0,
    needle: null,
  });
});

test('[DR2, HAZ-09] a number nobody entered is null, and so is one of which two wait', () => {
  const bare = recorded(A, { label: 'Varix A' });
  expect(sketch([], { plan: null }, [bare])).toMatchObject({
    shortUm: null,
    longUm: null,
    middleUm: null,
    plannedStopUm: null,
    stopUm: null,
    mixOutUl: null,
  });
  const disputed = structuredClone(target);
  for (const field of ['size', 'distance']) {
    const held = disputed.fields[field];
    if (held) held.isConflict = true;
  }
  expect(sketch([], { plan: null }, [disputed])).toMatchObject({
    disputed: ['size', 'distance'],
    shortUm: null,
    middleUm: null,
    nearUm: null,
  });
});

test('[DR2] crus, route and feeder are those entered; of two that wait none', () => {
  const around = recorded(A, {
    label: 'Varix A',
    access: { route: 'transoesophageal', crus_um: 6_000 },
    feeder: { seen: 'seen', feeder_um: 5_000 },
  });
  const expected = {
    route: 'transoesophageal',
    crusUm: 6_000,
    feederSeen: 'seen',
    feederUm: 5_000,
  };
  expect(sketch([], {}, [around])).toMatchObject(expected);
  for (const field of ['access', 'feeder']) {
    const held = around.fields[field];
    if (held) held.isConflict = true;
  }
  expect(sketch([], {}, [around])).toMatchObject({
    disputed: ['access', 'feeder'],
    route: '',
    crusUm: null,
    feederSeen: '',
    feederUm: null,
  });
});

/** Planted: the step read whatever its outcome, and the one said first kept. */
test('[DR17] the feeder is as was said last, at the target or at the step of the bedside', () => {
  const step = (outcome: string) =>
    recorded('step_event/f', { step: 'feeder', round: { target: null }, outcome });
  const enter = (feeder: Json) => recorded(A, { label: 'Varix A', feeder });
  const seen = (target: RecordState, event: RecordState) =>
    sketch([event], {}, [target]).feederSeen;
  const unseen = () => enter({ seen: 'not-seen' });

  expect(seen(enter({}), step('done'))).toBe('seen');
  expect(seen(enter({}), step('not-seen'))).toBe('');
  expect(seen(enter({ feeder_um: 5_000 }), step('not-seen'))).toBe('seen');
  expect(seen(enter({ feeder_um: 5_000 }), step('skipped'))).toBe('seen');
  expect(seen(unseen(), step('skipped'))).toBe('not-seen');
  expect(seen(unseen(), step('done'))).toBe('seen');
  const earlier = step('done');
  expect(seen(unseen(), earlier)).toBe('not-seen');
});

/** Planted: the diameter of the target alone read. */
test('[DR17] the diameter is the one entered last, at the target or with the step', () => {
  const step = (length_um?: number, outcome = 'done') =>
    recorded('step_event/f', {
      step: 'feeder',
      round: {},
      outcome,
      answers: length_um === undefined ? {} : { length_um },
    });
  const enter = (feeder: Json) => recorded(A, { label: 'Varix A', feeder });
  const said = (one: RecordState, event: RecordState) => sketch([event], {}, [one]);

  expect(said(enter({}), step(6_000))).toMatchObject({ feederSeen: 'seen', feederUm: 6_000 });
  expect(said(enter({ feeder_um: 5_000 }), step(6_000)).feederUm).toBe(6_000);
  expect(said(enter({ feeder_um: 5_000 }), step()).feederUm).toBe(5_000);
  const earlier = step(6_000);
  expect(said(enter({ seen: 'seen', feeder_um: 5_000 }), earlier).feederUm).toBe(5_000);
  expect(said(enter({ seen: 'seen' }), step(7_000, 'not-seen'))).toMatchObject({
    feederSeen: 'seen',
    feederUm: null,
  });
});

test('[DR17] with two targets the step names neither', () => {
  const other = recorded('target/c1-b', { label: 'Varix B', order: 2 });
  const step = recorded('step_event/f', { step: 'feeder', round: {}, outcome: 'done' });

  expect(sketch([step], {}, [target, other]).feederSeen).toBe('');
  expect(sketch([step], {}, [target]).feederSeen).toBe('seen');
});

test('[DR6] placed coils are those that stand, one without a loop included', () => {
  const records = [coil('c-1', 18_000), coil('c-2', null), coil('c-3', 14_000, true)];

  expect(sketch(records).placedLoopsUm).toEqual([18_000, null]);
});

test('[DR6] a discarded coil belongs to the target at which its package was opened', () => {
  const records = [
    stepOf('o1', 'package_opened', 1),
    opened('o1', 'coil', 'discarded'),
    stepOf('o2', 'package_opened', 1),
    opened('o2', 'coil', 'placed'),
    opened('elsewhere', 'coil', 'discarded'),
  ];

  expect(sketch(records).discardedLoopsUm).toEqual([18_000]);
});

test('[DR10] stop and distance are those of the latest puncture', () => {
  const records = [
    stepOf('d1', 'distance', 1, { length_um: 23_000 }),
    stepOf('s1', 'stop_set', 1, { length_um: 21_000 }),
    stepOf('d2', 'distance', 2, { length_um: 25_000 }),
    stepOf('s2', 'stop_set', 2, { length_um: 22_500 }),
  ];

  expect(sketch(records)).toMatchObject({ middleUm: 25_000, stopUm: 22_500 });
});

test('[DR7] the needle is followed over the whole case, in the order of the records', () => {
  const records = [flush('f0', 2_000, ''), mix('m1', 600), flush('f1', 700)];

  expect(sketch(records)).toMatchObject({
    mixInjectedUl: 600,
    mixOutUl: 300,
    needle: [
      { liquid: 'flush', amountUl: 700 },
      { liquid: 'mix', amountUl: 300 },
    ],
  });
});

test('[DR8, HAZ-05] without a known dead space, or with two needles, what left is not said', () => {
  const given = [mix('m1', 1_000), flush('f1', 1_000)];

  expect(sketch(given, { plan: null })).toMatchObject({ mixInjectedUl: 1_000, mixOutUl: null });
  const two = [opened('n1', 'needle', 'used'), opened('n2', 'needle', 'used'), ...given];
  expect(sketch(two)).toMatchObject({ mixInjectedUl: 1_000, mixOutUl: null, needle: null });
  const one = [opened('n1', 'needle', 'used'), opened('n2', 'needle', 'discarded'), ...given];
  expect(sketch(one).mixOutUl).toBe(1_000);
});

test('[DR11, HAZ-02] without a plan in use planned numbers are gone and done ones stay', () => {
  const done = [
    stepOf('s1', 'stop_set', 1, { length_um: 20_000 }),
    coil('c-1', 18_000),
    mix('m1', 500),
  ];

  expect(sketch(done, { plan: null })).toMatchObject({
    plannedStopUm: null,
    plannedLoopsUm: [],
    stopUm: 20_000,
    placedLoopsUm: [18_000],
    mixInjectedUl: 500,
  });
});

test('[DR11] what is planned and done already is drawn once; planned and done part cleanly', () => {
  const whole = sketch([
    stepOf('s1', 'stop_set', 1, { length_um: 21_000 }),
    coil('c-1', 18_000),
    mix('m1', 600),
  ]);

  expect(partOfSketch(whole, 'now')).toMatchObject({
    plannedStopUm: null,
    stopUm: 21_000,
    plannedLoopsUm: [14_000],
    placedLoopsUm: [18_000],
  });
  expect(partOfSketch({ ...whole, stopUm: 20_000 }, 'now').plannedStopUm).toBe(21_000);
  expect(partOfSketch(whole, 'planned')).toMatchObject({
    plannedStopUm: 21_000,
    stopUm: null,
    plannedLoopsUm: [18_000, 14_000],
    placedLoopsUm: [],
    mixInjectedUl: 0,
    mixOutUl: null,
    needle: null,
  });
  expect(partOfSketch(whole, 'done')).toMatchObject({
    plannedStopUm: null,
    plannedLoopsUm: [],
    placedLoopsUm: [18_000],
    mixInjectedUl: 600,
  });
});

test('the loop of a stocked coil is found by its record, also of one struck off the list', () => {
  const find = loopsOf([recorded('stock_item/x', { item: 'coil', coil: { loop_um: 12_000 } })]);

  expect(find('stock_item/x')).toBe(12_000);
  expect(find('stock_item/y')).toBeNull();
});
