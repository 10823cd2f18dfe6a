import { expect, test } from 'vitest';
import type { Json, RecordStore } from '../ports';
import { DEFAULT_SETTINGS, readSettings, type Settings, writeSettings } from './tablet-settings';
import { TabletSettings } from './tablet-settings.svelte';

const changed: Settings = {
  hand: 'left',
  loudness: 'off',
  keys: { primary: ['b'], back: ['F13'] },
  check: { on: '2026-03-16', at: '2026-03-16T07:30:00.000Z', by: 'Sam Sample', openPoints: 2 },
};

test('[UX-06] settings come back as they were written, and by default for what is not theirs', () => {
  expect(readSettings(writeSettings(changed))).toEqual(changed);
  for (const content of [
    null,
    3,
    'x',
    [],
    {},
    { hand: 'foot', loudness: 9, keys: [], check: {} },
  ]) {
    expect(readSettings(content)).toEqual(DEFAULT_SETTINGS);
  }
});

test('[UX-06] a setting outlives a restart of the page', async () => {
  const memory = new Map<string, Json>();
  const store = {
    remember: async (name: string, content: Json) => void memory.set(name, content),
    recall: async (name: string) => memory.get(name) ?? null,
  } as unknown as RecordStore;
  const before = new TabletSettings(store);
  await before.load();
  await before.change({ hand: 'left' });
  await before.change({ loudness: 'off' });

  const after = new TabletSettings(store);
  await after.load();
  expect([after.current.hand, after.current.loudness]).toEqual(['left', 'off']);
});

test('[UX-24] a setting that the disk refuses holds for this page, and says NOT SAVED first', async () => {
  const store = {
    remember: () => Promise.reject(new Error('full')),
    recall: async () => null,
  } as unknown as RecordStore;
  const settings = new TabletSettings(store);
  await settings.change({ hand: 'left' });

  expect(settings.current.hand).toBe('left');
  expect(settings.notSaved).toMatch(/^NOT SAVED\. /);
});
