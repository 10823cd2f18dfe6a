import { expect, test } from 'vitest';
import type { RecordStore } from '../ports';
import { ClinicLinks } from './clinic-links.svelte';

const ORIGIN = 'https://unit.example';
const feed = (id: string, revoked: number | null) => ({
  id,
  scope: 'place' as const,
  name: 'Room 4',
  made_ms: 1,
  revoked_ms: revoked,
});

/** A unit that keeps feeds; `isAway` says that it does not answer. */
function unit() {
  const state = { asked: [] as string[], feeds: [feed('old', 2)], isAway: false };
  const askClinic = async (question: string, asks: { name?: string; calendar?: string } | null) => {
    state.asked.push(question);
    await Promise.resolve();
    if (state.isAway) return { kind: 'not-told', sentence: 'away' };
    if (question === 'make-calendar') {
      state.feeds.push(feed(`new${state.feeds.length}`, null));
      return { kind: 'told', id: 'new1', token: 'f'.repeat(64) };
    }
    if (question === 'close-calendar') {
      state.feeds = state.feeds.map((one) =>
        one.id === asks?.calendar ? { ...one, revoked_ms: 3 } : one,
      );
    }
    return { kind: 'told', calendars: [...state.feeds] };
  };
  return { state, store: { askClinic } as unknown as RecordStore };
}

/** Has caught a planted bug: a second press made a second link that nobody saw. */
test('[FU-09] [HAZ-14] a link pressed twice is made once, told once, and gone once hidden', async () => {
  const { state, store } = unit();
  const links = new ClinicLinks(store, ORIGIN);

  await Promise.all([
    links.make('place', 'Room 4', 'Room 4'),
    links.make('place', 'Room 4', 'Room 4'),
  ]);

  expect(state.asked.filter((one) => one === 'make-calendar')).toHaveLength(1);
  expect(links.made).toEqual({
    name: 'Room 4',
    address: `${ORIGIN}/calendar/${'f'.repeat(64)}.ics`,
  });
  expect(JSON.stringify(links.feeds)).not.toContain('ffff');
  links.hide();
  expect(links.made).toBeNull();
});

test('[FU-09] closed for good it is listed apart', async () => {
  const { store } = unit();
  const links = new ClinicLinks(store, ORIGIN);
  await links.make('place', 'Room 4', 'Room 4');
  expect([links.open.length, links.closed.length]).toEqual([1, 1]);

  await links.close('new1');
  expect([links.open.length, links.closed.length]).toEqual([0, 2]);
});

test('a unit that is away is told once, and what it said before stays', async () => {
  const { state, store } = unit();
  const links = new ClinicLinks(store, ORIGIN);
  await links.load();
  state.isAway = true;

  await links.make('place', 'Room 4', 'Room 4');

  expect([links.notTold, links.made, links.feeds?.length]).toEqual(['away', null, 1]);
  state.isAway = false;
  await links.load();
  expect(links.notTold).toBeNull();
});
