import { expect, test } from 'vitest';
import type { ExchangeStanding, RecordStore, UnitAlarm, UnitAlarmsAnswer } from '../ports';
import { UnitAlarmList } from './decisions-alarms.svelte';

const FORK: UnitAlarm = {
  kind: 'fork',
  op_id: 'tablet-a.ep01.1',
  record: 'puncture/p-1',
  sentence: 'Two devices wrote as tablet-a.',
  received_ms: 1_790_000_000_000,
};
const settle = () => new Promise((resolve) => setTimeout(resolve));

test('[LG4] what the unit set aside is shown, asked again after an exchange, and stays offline', async () => {
  const answers: UnitAlarmsAnswer[] = [
    { kind: 'told', alarms: [] },
    { kind: 'told', alarms: [FORK] },
    { kind: 'not-told', sentence: 'The unit cannot be reached.' },
  ];
  let tell: (standing: ExchangeStanding) => void = () => {};
  const store = {
    unitAlarms: async () => answers.shift(),
    onExchange: (listener: typeof tell) => {
      tell = listener;
      return () => {};
    },
  } as unknown as RecordStore;
  const alarms = new UnitAlarmList(store);
  await settle();
  expect(alarms.rows).toEqual([]);

  tell({ lastDoneMs: 1 } as ExchangeStanding);
  tell({ lastDoneMs: 1 } as ExchangeStanding);
  await settle();
  expect([alarms.rows, alarms.notTold]).toEqual([[FORK], '']);

  tell({ lastDoneMs: 2 } as ExchangeStanding);
  await settle();
  expect([alarms.rows, alarms.notTold]).toEqual([[FORK], 'The unit cannot be reached.']);
});
