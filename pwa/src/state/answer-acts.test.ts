import { beforeEach, expect, test } from 'vitest';
import type { Json, RecordState, RecordStore } from '../ports';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { openMemoryDisk } from '../storage/memory-database';
import { OperationStore } from '../storage/operation-store';
import { type Answer, AnswerActs, LOCKOUT_MS } from './answer-acts.svelte';
import { isInConflict, shown, valuesOf } from './shown';

/** One device over a real store in memory; its clock and its ids are counted. */
class Device {
  readonly store: OperationStore;
  readonly acts: AnswerActs;
  nowMs = 10_000;
  #ids = 0;
  willSave = true;

  constructor(name: string, disk: Awaited<ReturnType<typeof openMemoryDisk>>) {
    this.store = new OperationStore(disk.database, packagedCatalogue());
    this.store.becomeDevice(
      { device: name, role: 'bedside', token: null, unitName: '', streams: [] },
      'epoch1',
    );
    const port = {
      read: async (query: { kind: string; record?: string }) => this.store.read(query),
      history: async (record: string) => this.store.history(record),
    } as unknown as RecordStore;
    this.acts = new AnswerActs({
      store: port,
      clock: {
        nowMs: () => this.nowMs,
        monotonicMs: () => this.nowMs,
        today: () => '2026-03-16',
        nowIso: () => '2026-03-16T09:00:00.000+00:00',
      },
      ids: { newId: () => `${name}-${++this.#ids}` },
      tablet: {
        save: async (drafts) => {
          if (!this.willSave) return { kind: 'not-saved', sentence: 'NOT SAVED.' };
          const who = { by: 'staff/s', tappedBy: 'staff/s' };
          const around = { wallMs: this.nowMs, newSalt: () => '0'.repeat(32) };
          return { kind: 'saved', ...this.store.save(drafts, who, around) };
        },
      },
    });
  }

  state(record = 'case/c'): RecordState | null {
    const kind = record.split('/')[0] ?? '';
    return this.store.read({ kind, record })[0] ?? null;
  }

  /** Press a control of the case's `field` as it is drawn now. */
  press(field: string, content: Json, control = String(content), more: Partial<Answer> = {}) {
    return this.acts.give({
      record: 'case/c',
      onScreen: this.state(),
      field,
      words: `${field} ${content}`,
      control: `${field} ${control}`,
      compose: () => content,
      ...more,
    });
  }

  /** Take in all that the other device has written. */
  hear(other: Device): void {
    const rows = other.store
      .ownOperations('epoch1', 0, 100)
      .map(([envelope, body], index) => [index + 1, envelope, body] as const);
    this.store.applyPulled('care', rows, rows.length, this.nowMs);
  }
}

let one: Device;
let other: Device;
beforeEach(async () => {
  one = new Device('tablet-a', await openMemoryDisk());
  other = new Device('tablet-b', await openMemoryDisk());
});

test('an answer replaces the one that was on screen', async () => {
  await one.press('indication', 'acute-bleed');
  await one.press('indication', 'primary-prophylaxis');

  expect(shown(one.state(), 'indication')).toBe('primary-prophylaxis');
  expect(one.store.tip().counter).toBe(2);
});

test('[HAZ-14] a second press within the lockout saves nothing, a later one does', async () => {
  const toggle = (now: Json | undefined) => (now === undefined ? ['red-spot'] : []);
  const press = () => one.press('stigmata', null, 'red-spot', { compose: toggle });
  await Promise.all([press(), press(), press()]);
  expect(shown(one.state(), 'stigmata')).toEqual(['red-spot']);
  one.nowMs += LOCKOUT_MS - 1;
  await press();
  expect(one.store.tip().counter).toBe(1);
  one.nowMs += 1;
  await press();
  expect(shown(one.state(), 'stigmata')).toEqual([]);
});

test('pressing the answer that stands saves nothing new', async () => {
  await one.press('indication', 'acute-bleed');
  one.nowMs += 2_000;
  await one.press('indication', 'acute-bleed');

  expect(one.store.tip().counter).toBe(1);
});

/** Caught a planted bug: `over` without the references of this screen's own earlier presses. */
test('two quick presses drawn from the same picture do not conflict with themselves', async () => {
  const before = one.state();
  await Promise.all([
    one.press('stigmata', ['red-spot'], 'a', { onScreen: before }),
    one.press('stigmata', null, 'b', {
      onScreen: before,
      compose: (now) => [...(Array.isArray(now) ? now : []), 'platelet-plug'],
    }),
  ]);

  expect(shown(one.state(), 'stigmata')).toEqual(['red-spot', 'platelet-plug']);
});

/** Caught a planted bug: `over` taken from the store at saving, which hid the other's answer. */
test('[HAZ-31] replaces_is_what_was_seen: an answer that came in after the screen was drawn is kept as a conflict', async () => {
  await one.press('indication', 'primary-prophylaxis');
  other.hear(one);
  const drawn = one.state();
  await other.press('indication', 'acute-bleed');
  one.hear(other);
  await one.press('indication', 'secondary-prophylaxis', 'x', { onScreen: drawn });

  expect(isInConflict(one.state(), 'indication')).toBe(true);
  expect(valuesOf(one.state(), 'indication').map((held) => held.value)).toEqual(
    expect.arrayContaining(['acute-bleed', 'secondary-prophylaxis']),
  );
});

test('[HAZ-16] undo takes back the last act and brings back the answer before', async () => {
  await one.press('indication', 'primary-prophylaxis');
  await one.press('indication', 'acute-bleed');
  expect(one.acts.last?.words).toBe('indication acute-bleed');
  await one.acts.undo();

  expect(shown(one.state(), 'indication')).toBe('primary-prophylaxis');
  expect(one.acts.last).toBeNull();
  expect(one.store.history('case/c').map((entry) => entry.isStruck)).toEqual([false, true, false]);
});

test('an act that was not saved offers no undo, and an undo that was not saved stays', async () => {
  one.willSave = false;
  await one.press('indication', 'acute-bleed');
  expect(one.acts.last).toBeNull();

  one.willSave = true;
  one.nowMs += 1_000;
  await one.press('indication', 'acute-bleed');
  one.willSave = false;
  await one.acts.undo();
  expect(one.acts.last?.words).toBe('indication acute-bleed');
});

test('a new record takes its parent with it, a second answer does not write it again', async () => {
  const give = (field: string, content: Json) =>
    one.acts.give({
      record: 'target/c-a',
      onScreen: one.state('target/c-a'),
      field,
      words: field,
      control: `${field} ${JSON.stringify(content)}`,
      compose: () => content,
      withNew: { case: 'case/c', order: 1 },
    });
  await give('label', 'Varix A');
  await give('size', { short_axis_um: 14_000, origin: 'measured' });

  const written = one.store.history('target/c-a').map((entry) => Object.keys(entry.set).sort());
  expect(written).toEqual([['case', 'label', 'order'], ['size']]);
});

/** Caught a planted bug: retracting only what stands, which brought the older size back. */
test('[HAZ-16] striking a record strikes all its answers, and undo brings the last ones back', async () => {
  for (const axis of [14_000, 16_000]) {
    await one.acts.give({
      record: 'target/c-a',
      onScreen: one.state('target/c-a'),
      field: 'size',
      words: 'size',
      control: String(axis),
      compose: () => ({ short_axis_um: axis }),
      withNew: { case: 'case/c' },
    });
  }
  await one.acts.strike('target/c-a', 'Varix A entered in error');
  expect(one.state('target/c-a')?.isEnteredInError).toBe(true);

  await one.acts.undo();
  expect(shown(one.state('target/c-a'), 'size')).toEqual({ short_axis_um: 16_000 });
});
