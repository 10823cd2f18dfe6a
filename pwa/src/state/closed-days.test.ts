import { expect, test } from 'vitest';
import type { ClosedDays as Told } from '../clinic-questions';
import type { RecordStore } from '../ports';
import { ClosedDays, KEPT_AS } from './closed-days.svelte';

const TOLD: Told = {
  country: 'GB',
  subdivision: 'ENG',
  from_on: '2026-03-16',
  until_on: '2028-05-24',
  days: [{ on: '2026-04-03', name: 'Good Friday' }],
};
const settle = () => new Promise((resolve) => setTimeout(resolve, 5));

/** @param told - null where the unit is away */
function deviceWith(told: Told | null, kept: unknown = null) {
  const remembered = new Map<string, unknown>([[KEPT_AS, kept]]);
  const store = {
    askClinic: async () =>
      told === null ? { kind: 'not-told', sentence: 'away' } : { kind: 'told', ...told },
    remember: async (name: string, content: unknown) => void remembered.set(name, content),
    recall: async (name: string) => remembered.get(name) ?? null,
    onExchange: () => () => {},
  } as unknown as RecordStore;
  return { store, remembered };
}

/** Has caught a planted bug: what the unit told was shown and not kept. */
test('[FU-02] the closed days of the unit are kept for when it is away', async () => {
  const online = deviceWith(TOLD);
  const first = new ClosedDays(online.store);
  await settle();
  expect([first.names.get('2026-04-03'), first.untilOn]).toEqual(['Good Friday', '2028-05-24']);

  const offline = deviceWith(null, online.remembered.get(KEPT_AS));
  const later = new ClosedDays(offline.store);
  await settle();
  expect([...later.names]).toEqual([['2026-04-03', 'Good Friday']]);
  expect(later.untilOn).toBe('2028-05-24');
});

test('a unit that named no country tells of no day until which they are known', async () => {
  const { store } = deviceWith({ ...TOLD, country: '', subdivision: '', days: [] });
  const days = new ClosedDays(store);
  await settle();
  expect([days.names.size, days.untilOn]).toEqual([0, '']);
});

test.each([[null], ['text'], [{ days: [] }], [{ ...TOLD, days: [{ on: 4 }] }]])(
  'what is remembered and is none counts for nothing: %o',
  async (kept) => {
    const days = new ClosedDays(deviceWith(null, kept).store);
    await settle();
    expect([days.names.size, days.untilOn]).toEqual([0, '']);
  },
);
