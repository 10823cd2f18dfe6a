import { expect, test } from 'vitest';
import type { ExchangeStanding, RecordState, RecordStore } from '../ports';
import { LiveRecords } from './live-records.svelte';
import { Tablet } from './tablet.svelte';

const clock = { nowMs: () => 5, monotonicMs: () => 5, today: () => '2026-03-16', nowIso: () => '' };
const named = (record: string): RecordState => ({
  record,
  fields: {},
  struck: [],
  isEnteredInError: false,
  heads: [],
});

/** A store of which a test says what it answers. */
class FakeStore {
  remembered = new Map<string, unknown>();
  listeners = new Set<(records: string[]) => void>();
  exchange: (standing: ExchangeStanding) => void = () => {};
  reads: ((found: RecordState[]) => void)[] = [];
  saves: { by: string; tappedBy: string }[] = [];
  willSave = true;

  asStore(): RecordStore {
    return this as unknown as RecordStore;
  }
  async recall(name: string) {
    return this.remembered.get(name) ?? null;
  }
  async remember(name: string, content: unknown) {
    this.remembered.set(name, content);
  }
  async save(_drafts: unknown, who: { by: string; tappedBy: string }) {
    this.saves.push(who);
    return this.willSave
      ? { kind: 'saved', records: [], references: [] }
      : { kind: 'not-saved', sentence: 'NOT SAVED. The disk is full.' };
  }
  read() {
    return new Promise<RecordState[]>((resolve) => this.reads.push(resolve));
  }
  onRecords(listener: (records: string[]) => void) {
    this.listeners.add(listener);
    return () => this.listeners.delete(listener);
  }
  onExchange(listener: (standing: ExchangeStanding) => void) {
    this.exchange = listener;
    return () => {};
  }
}
const settle = () => new Promise((resolve) => setTimeout(resolve));

test('who tapped last is remembered across a restart', async () => {
  const store = new FakeStore();
  await new Tablet(store.asStore(), clock).chooseWhoTaps('staff/s-1', 'Sam Sample', 'assistant');

  const again = new Tablet(store.asStore(), clock);
  await again.take({ kind: 'open', standing: null, persisted: true });

  expect([again.whoTaps, again.whoTapsName, again.whoTapsRole]).toEqual([
    'staff/s-1',
    'Sam Sample',
    'assistant',
  ]);
  expect(again.persisted).toBe(true);
});

test('a save carries who taps and, where another answers for it, that one', async () => {
  const store = new FakeStore();
  const tablet = new Tablet(store.asStore(), clock);
  await tablet.chooseWhoTaps('staff/s-1', 'Sam Sample', 'assistant');
  await tablet.save([]);
  await tablet.save([], 'staff/s-2');

  expect(store.saves).toEqual([
    { by: 'staff/s-1', tappedBy: 'staff/s-1' },
    { by: 'staff/s-2', tappedBy: 'staff/s-1' },
  ]);
});

test('the sentence of a failed save stays until one went well', async () => {
  const store = new FakeStore();
  const tablet = new Tablet(store.asStore(), clock);
  store.willSave = false;
  await tablet.save([]);
  expect(tablet.notSaved).toBe('NOT SAVED. The disk is full.');

  store.willSave = true;
  await tablet.save([]);
  expect(tablet.notSaved).toBe('');
});

test('a live list reloads for its own kind alone and stops when disposed', async () => {
  const store = new FakeStore();
  const live = new LiveRecords(store.asStore(), { kind: 'coil_placed' });
  store.reads[0]?.([named('coil_placed/1')]);
  await settle();
  expect(live.isLoaded).toBe(true);
  expect(live.list.map((state) => state.record)).toEqual(['coil_placed/1']);

  for (const listener of store.listeners) listener(['flush/1']);
  expect(store.reads).toHaveLength(1);
  for (const listener of store.listeners) listener(['flush/1', 'coil_placed/2']);
  expect(store.reads).toHaveLength(2);

  live.dispose();
  expect(store.listeners.size).toBe(0);
});

test('an answer overtaken by a later one is dropped', async () => {
  const store = new FakeStore();
  const live = new LiveRecords(store.asStore(), { kind: 'coil_placed' });
  for (const listener of store.listeners) listener(['coil_placed/2']);
  store.reads[1]?.([named('coil_placed/1'), named('coil_placed/2')]);
  await settle();
  store.reads[0]?.([named('coil_placed/1')]);
  await settle();

  expect(live.list).toHaveLength(2);
});
