import { beforeEach, expect, test } from 'vitest';
import type {
  ExchangeStanding,
  RecordState,
  RecordStore,
  SeenAlarm,
  UnitAlarm,
  UnitAlarmsAnswer,
} from '../ports';
import { nameSetAside } from '../record-catalogue/alarms';
import { alarmWords } from '../text/decisions';
import { AlarmList, groupAlarms } from './decisions-alarms.svelte';
import { seenToDrafts } from './decisions-draft';
import { blankState } from './record-state';

const alarm = (counter: number, more: Partial<UnitAlarm> = {}): UnitAlarm => ({
  name: nameSetAside(`${counter}`, ''),
  kind: 'fork',
  op_id: `tablet-a.ep01.${counter}`,
  record: 'puncture/p-1',
  sentence: 'Two devices wrote as tablet-a.',
  received_ms: 1_790_000_000_000,
  ...more,
});
const FORK = alarm(1);
const OTHER = alarm(2, { kind: 'set-aside' });
const seen = (one: UnitAlarm): SeenAlarm => ({
  ...one,
  by: 'staff/s-1',
  written_ms: 1_790_000_000_001,
  because: ['Told the data manager'],
});
const told = (alarms: UnitAlarm[], seenTo: SeenAlarm[] = []): UnitAlarmsAnswer => ({
  kind: 'told',
  alarms,
  seen_to: seenTo,
});
const settle = () => new Promise((resolve) => setTimeout(resolve));

let answers: (UnitAlarmsAnswer | Promise<UnitAlarmsAnswer>)[];
let here: UnitAlarm[];
let decisions: RecordState[];
let tellExchange: (standing: ExchangeStanding) => void;
let tellRecords: (records: string[]) => void;
const store = {
  unitAlarms: async () => answers.shift(),
  ownAlarms: async () => here,
  read: async () => decisions,
  onExchange: (listener: typeof tellExchange) => {
    tellExchange = listener;
    return () => {};
  },
  onRecords: (listener: typeof tellRecords) => {
    tellRecords = listener;
    return () => {};
  },
} as unknown as RecordStore;
const exchanged = (lastDoneMs: number) => tellExchange({ lastDoneMs } as ExchangeStanding);

/** Let a person say on this tablet that alarms were seen to. */
function decide(alarms: UnitAlarm[], because: string): void {
  for (const { record, set } of seenToDrafts(alarms, decisions, because)) {
    const fields = Object.entries(set ?? {}).map(([field, value]) => [
      field,
      {
        values: [
          { value, references: ['b.e.1#0'], by: 'staff/s-2', stamp: '001790000000005.00000.b' },
        ],
        isConflict: false,
      },
    ]);
    decisions = [...decisions, { ...blankState(record), fields: Object.fromEntries(fields) }];
    tellRecords([record]);
  }
}

const names = (list: AlarmList) => list.open.flatMap(({ alarms }) => alarms.map((one) => one.name));

beforeEach(() => {
  answers = [told([FORK, OTHER])];
  here = [];
  decisions = [];
});

test('[LG4] what the unit set aside is shown, asked again after an exchange, and stays offline', async () => {
  answers = [told([]), told([FORK]), { kind: 'not-told', sentence: 'The unit cannot be reached.' }];
  const list = new AlarmList(store);
  await settle();
  expect(list.open).toEqual([]);

  exchanged(1);
  exchanged(1);
  await settle();
  expect([names(list), list.notTold]).toEqual([[FORK.name], '']);

  exchanged(2);
  await settle();
  expect([names(list), list.notTold]).toEqual([[FORK.name], 'The unit cannot be reached.']);
});

/** The planted bug it has caught: the unit's older word kept for what was decided here since. */
test('[CF5] what a person has seen to here leaves the open list at once, without the unit', async () => {
  const list = new AlarmList(store);
  await settle();

  decide([FORK], 'Second device found');
  await settle();

  expect(names(list)).toEqual([OTHER.name]);
  expect(list.seenTo).toEqual([
    {
      ...FORK,
      by: 'staff/s-2',
      written_ms: 1_790_000_000_005,
      because: ['Second device found'],
    },
  ]);
});

test('[CF5] what others have seen to is listed by what the unit says', async () => {
  answers = [told([OTHER], [seen(FORK)])];
  const list = new AlarmList(store);
  await settle();

  expect(names(list)).toEqual([OTHER.name]);
  expect(list.seenTo).toEqual([seen(FORK)]);
});

/** The planted bug it has caught: whole logs taken for seen to. */
test('[CF6] a new alarm of a log that was seen to is open', async () => {
  answers = [told([FORK]), told([alarm(3)], [seen(FORK)])];
  const list = new AlarmList(store);
  await settle();
  decide([FORK], 'Told the data manager');

  exchanged(1);
  await settle();

  expect(names(list)).toEqual([alarm(3).name]);
  expect(list.seenTo.map(({ name }) => name)).toEqual([FORK.name]);
});

/** The planted bug it has caught: an alarm of this tablet and of the unit listed twice. */
test('[CF5] what was set aside here is listed too, and each alarm once', async () => {
  here = [alarm(1, { sentence: 'As this tablet says it.' }), alarm(7, { kind: 'set-aside' })];
  const list = new AlarmList(store);
  await settle();

  expect(names(list).sort()).toEqual([FORK, OTHER, alarm(7)].map(({ name }) => name).sort());
  expect(list.open[0]?.alarms[0]?.sentence).toBe(FORK.sentence);
});

test('[CF5] a device that has not joined tells what was set aside on it', async () => {
  answers = [{ kind: 'not-told', sentence: '' }];
  here = [OTHER];
  const list = new AlarmList(store);
  await settle();

  expect([names(list), list.notTold]).toEqual([[OTHER.name], '']);
});

test('[CF6] one press for all that came of one log, in the order of the first', () => {
  const unknown = alarm(9, { op_id: 'unknown', kind: 'set-aside' });
  const log = alarm(0, { op_id: 'tablet-a.ep01' });
  const groups = groupAlarms([FORK, OTHER, alarm(3), unknown, log]);

  expect(groups.map((one) => [one.kind, one.log, one.alarms.length])).toEqual([
    ['fork', 'tablet-a.ep01', 3],
    ['set-aside', 'tablet-a.ep01', 1],
    ['set-aside', '', 1],
  ]);
});

test.each([
  [499, 1],
  [500, 1],
  [501, 2],
])('[CF5] [OP7] %i alarms take %i entries', (count, entries) => {
  const alarms = Array.from({ length: count }, (_, at) => alarm(at));

  const drafts = seenToDrafts(alarms, [], 'Told the data manager');

  expect(drafts).toHaveLength(entries);
  expect(drafts.flatMap(({ set }) => set?.about).sort()).toEqual(
    alarms.map(({ name }) => name).sort(),
  );
  for (const draft of drafts) expect(JSON.stringify(draft.set).length).toBeLessThan(60_000);
});

test('[CF6] the same alarms in another order are the same decision', () => {
  const [one] = seenToDrafts([FORK, OTHER], [], 'x');
  const [other] = seenToDrafts([OTHER, FORK, OTHER], [], 'x');

  expect(one).toEqual(other);
});

test('[CF5] the words name nobody where the device does not read who', () => {
  expect(alarmWords.seenBy('Otis', 'Tue 3 Mar 2026, 14:32', ['Told the data manager'])).toBe(
    'Seen to by Otis, Tue 3 Mar 2026, 14:32. Told the data manager',
  );
  expect(alarmWords.seenBy('', 'Tue 3 Mar 2026, 14:32', [])).toBe('Seen to, Tue 3 Mar 2026, 14:32');
});
