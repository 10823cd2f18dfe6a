import { expect, test } from 'vitest';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import { factsOfTablet } from './device-facts.svelte';
import { standingGates } from './override';
import {
  type CheckInputs,
  checkRows,
  isCheckedOn,
  LEAST_FREE_BYTES,
  openPoints,
} from './pre-use-check';

const NOW = 1_790_000_000_000;
const sound: CheckInputs = {
  isPersisted: true,
  freeBytes: 5_000_000_000,
  storeReadsBack: true,
  hasKey: true,
  hasJoined: true,
  loudness: 'low',
  soundTest: 'played',
  keys: { primary: [], back: [] },
  pedalKey: 'PageDown',
  canKeepScreenOn: true,
  battery: { perCent: 80, isCharging: false },
  exchange: {
    state: 'resting',
    unsent: 0,
    oldestUnsentMs: null,
    lastDoneMs: NOW - 60_000,
    sentence: '',
    clockOffsetMs: 400,
  },
  nowMs: NOW,
  build: 'abc123',
  strangers: [],
  update: 'none',
  installing: 'installed',
  remarks: {},
};
const rowOf = (id: string, change: Partial<CheckInputs> = {}) => {
  const found = checkRows({ ...sound, ...change }).find((row) => row.id === id);
  if (found === undefined) throw new Error(`no row ${id}`);
  return found;
};

test('a tablet in order has no open point; the screen lock stays a thing to look at by hand', () => {
  const rows = checkRows(sound);

  expect(openPoints(rows)).toBe(0);
  expect(rows.filter(({ standing }) => standing !== 'good').map(({ id }) => id)).toEqual([
    'screen',
  ]);
  expect(rows).toHaveLength(12);
});

/** Has caught: the room compared with `>`. */
test('[HAZ-37] 200 MB free are enough, a byte less is not; an untold room is no "in order"', () => {
  expect(rowOf('room', { freeBytes: LEAST_FREE_BYTES - 1 }).standing).toBe('look');
  expect(rowOf('room', { freeBytes: LEAST_FREE_BYTES }).standing).toBe('good');
  expect(rowOf('room', { freeBytes: LEAST_FREE_BYTES + 1 }).standing).toBe('good');
  expect(rowOf('room', { freeBytes: null }).standing).toBe('untold');
});

test('every row that asks for something says what to do, however things stand', () => {
  const bad: Partial<CheckInputs>[] = [
    { isPersisted: false },
    { isPersisted: null },
    { freeBytes: 0 },
    { freeBytes: undefined },
    { storeReadsBack: false },
    { hasKey: false },
    { hasKey: false, hasJoined: false },
    { soundTest: 'not-yet' },
    { soundTest: 'mute' },
    { pedalKey: '' },
    { canKeepScreenOn: false },
    { battery: null },
    { exchange: { ...sound.exchange, clockOffsetMs: null } },
    { exchange: { ...sound.exchange, lastDoneMs: null } },
    { exchange: { ...sound.exchange, sentence: 'Something is to be done.' } },
    { hasJoined: false },
    { strangers: ['worker'] },
    { update: 'waits-for-saving' },
    { update: 'ready' },
    { installing: 'can-ask' },
    { installing: 'by-hand' },
    { installing: 'not-offered' },
  ];
  for (const change of bad) {
    const asking = checkRows({ ...sound, ...change }).filter(({ standing }) => standing !== 'good');
    // The screen lock is always one of them.
    const least = 'canKeepScreenOn' in change ? 1 : 2;
    expect([change, asking.length >= least]).toEqual([change, true]);
    for (const row of asking) expect([row.id, row.todo]).not.toEqual([row.id, '']);
  }
});

test('[SOFT-08] [SOFT-09] [SOFT-10] the limits are those of the rule file, one below and one above', () => {
  const ruleBook = packagedRuleBook('2026-03-16');
  const raised = (offsetMs: number, persisted: boolean, perCent: number, isCharging = false) =>
    standingGates(
      ruleBook,
      factsOfTablet(
        { battery: { perCent, isCharging }, isPersisted: persisted },
        { ...sound.exchange, clockOffsetMs: offsetMs },
        NOW,
      ),
    ).map(({ gate }) => gate.id);

  expect(raised(120_000, true, 20)).toEqual([]);
  expect(raised(-120_001, true, 20)).toEqual(['SOFT-08']);
  expect(raised(0, false, 20)).toEqual(['SOFT-09']);
  expect(raised(0, true, 19)).toEqual(['SOFT-10']);
  expect(raised(0, true, 19, true)).toEqual([]);
});

test('[SOFT-07] [SOFT-10] what the browser or the unit has not told raises nothing', () => {
  const facts = factsOfTablet(
    { battery: null, isPersisted: null },
    { ...sound.exchange, clockOffsetMs: null },
    NOW,
  );
  expect(facts).toEqual({});
  const unsent = { ...sound.exchange, unsent: 3, oldestUnsentMs: NOW - 25 * 3_600_000 };
  expect(factsOfTablet({ battery: undefined, isPersisted: true }, unsent, NOW)).toEqual({
    unsent_count: 3,
    oldest_unsent_ms: 25 * 3_600_000,
    clock_offset_ms: 400,
    storage_persistent: true,
  });
});

test('the words of a standing remark are what the row tells to do', () => {
  const remarks = { 'SOFT-08': 'Set the clock.', 'SOFT-09': 'Install.', 'SOFT-10': 'Plug in.' };
  expect(rowOf('clock', { remarks })).toMatchObject({ standing: 'look', todo: 'Set the clock.' });
  expect(rowOf('battery', { remarks })).toMatchObject({ standing: 'look', todo: 'Plug in.' });
  expect(rowOf('storage', { remarks, isPersisted: false }).todo).toBe('Install.');
  const refused = rowOf('storage', { isPersisted: false, isPersistenceRefused: true });
  expect(refused.state).toBe('asked, not promised: may be cleared');
});

test('[HAZ-27] an update is offered for pressing only where nothing keeps it out', () => {
  expect(rowOf('build', { update: 'waits-for-case' })).not.toHaveProperty('act');
  expect(rowOf('build', { update: 'waits-for-saving' })).not.toHaveProperty('act');
  expect(rowOf('build', { update: 'ready' }).act).toBe('update');
  expect(rowOf('build', { update: 'ready', strangers: ['files'] })).not.toHaveProperty('act');
});

test('the check counts for the civil day on which it was noted', () => {
  const check = { on: '2026-03-16', at: '', by: '', openPoints: 0 };
  expect(isCheckedOn(check, '2026-03-16')).toBe(true);
  expect(isCheckedOn(check, '2026-03-17')).toBe(false);
  expect(isCheckedOn(null, '2026-03-16')).toBe(false);
});
