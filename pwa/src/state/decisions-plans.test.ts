import { beforeEach, expect, test } from 'vitest';
import type {
  ExchangeStanding,
  PlanCheckRow,
  PlanChecksAnswer,
  RecordState,
  RecordStore,
} from '../ports';
import { planCheckWords } from '../text/decisions';
import { DifferingPlans } from './decisions-plans.svelte';
import { blankState, withFields } from './record-state';

const ROW: PlanCheckRow = {
  record: 'case/c',
  references: ['tab-a.e1.7#00ff'],
  labels: ['Varix A'],
  by: 'staff/s',
  stamp: '001790000000123.00000.tab-a',
  verdict: 'differs',
  sentence: '',
  differences: [
    {
      path: '$.targets[0].coils.to',
      what: 'Varix A, most coils',
      tablet: '2',
      server: '1',
    },
  ],
  left_out: 0,
};
const RECORDS: RecordState[] = [
  withFields(blankState('patient/p'), { family_name: 'Sample', given_name: 'Sam' }),
  withFields(blankState('case/c'), { patient: 'patient/p' }),
];
const told = (...plans: PlanCheckRow[]): PlanChecksAnswer => ({
  kind: 'told',
  plans,
  agreed: 2,
  waiting: 0,
});

let answers: Promise<PlanChecksAnswer>[];
let tell: (standing: ExchangeStanding) => void;
let stopped: boolean;

const store = {
  read: async ({ record }: { record?: string }) => RECORDS.filter((one) => one.record === record),
  planChecks: () => answers.shift(),
  onExchange: (listener: (standing: ExchangeStanding) => void) => {
    tell = listener;
    return () => {
      stopped = true;
    };
  },
} as unknown as RecordStore;

const standing = (lastDoneMs: number | null) => ({ lastDoneMs }) as ExchangeStanding;
const settle = () => new Promise((resolve) => setTimeout(resolve));

beforeEach(() => {
  answers = [];
  stopped = false;
});

test('a plan that differs is shown with whose it is and both numbers', async () => {
  answers = [Promise.resolve(told(ROW))];
  const plans = new DifferingPlans(store);
  await settle();

  expect(plans.rows.map(({ about, labels }) => [about, ...labels])).toEqual([
    ['Sample, Sam', 'Varix A'],
  ]);
  expect(plans.agreed).toBe(2);
  const [difference] = ROW.differences;
  expect(
    planCheckWords.difference(
      difference?.what ?? '',
      difference?.tablet ?? '',
      difference?.server ?? '',
    ),
  ).toBe('Varix A, most coils: tablet 2, server 1');
});

test('the unit is asked again after each exchange, and only then', async () => {
  answers = [Promise.resolve(told()), Promise.resolve(told(ROW)), Promise.resolve(told())];
  const plans = new DifferingPlans(store);
  tell(standing(null));
  await settle();
  expect(answers).toHaveLength(2);

  tell(standing(1_000));
  tell(standing(1_000));
  await settle();
  expect(plans.rows).toHaveLength(1);
  expect(answers).toHaveLength(1);

  tell(standing(2_000));
  await settle();
  expect(plans.rows).toEqual([]);
});

test('what the unit said last stays while it cannot be reached, and the screen says so', async () => {
  answers = [
    Promise.resolve(told(ROW)),
    Promise.resolve({ kind: 'not-told', sentence: 'The unit cannot be reached.' }),
    Promise.resolve(told()),
  ];
  const plans = new DifferingPlans(store);
  await settle();
  tell(standing(1_000));
  await settle();

  expect(plans.rows).toHaveLength(1);
  expect(plans.notTold).toBe('The unit cannot be reached.');
  tell(standing(2_000));
  await settle();
  expect([plans.rows.length, plans.notTold]).toEqual([0, '']);
});

test('an answer that was overtaken or comes after the screen has gone changes nothing', async () => {
  // The planted bug it has caught: every answer taken, in whatever order they come.
  let answerFirst: (answer: PlanChecksAnswer) => void = () => {};
  answers = [
    new Promise((resolve) => {
      answerFirst = resolve;
    }),
    Promise.resolve(told()),
    Promise.resolve(told(ROW)),
  ];
  const plans = new DifferingPlans(store);
  tell(standing(1_000));
  await settle();
  answerFirst(told(ROW));
  await settle();
  expect(plans.rows).toEqual([]);

  tell(standing(2_000));
  plans.dispose();
  await settle();
  expect(plans.rows).toEqual([]);
  expect(stopped).toBe(true);
});
