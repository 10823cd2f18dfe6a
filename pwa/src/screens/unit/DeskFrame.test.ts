/** The frame of a desk as it is drawn: what it tells beside the parts. */
import type { Component } from 'svelte';
import { createRawSnippet } from 'svelte';
import { render } from 'svelte/server';
import { expect, test } from 'vitest';
import type { DeskPerson, DeskPort } from '../../desk-questions';
import { UnitDesk } from '../../state/unit-desk.svelte';
import { unitDesk as words } from '../../text/unit-desk';
import DeskFrame from './DeskFrame.svelte';

const IDA: DeskPerson = {
  staff: 'staff/ida',
  name: 'Ida Norrwood',
  login: 'ida.norrwood',
  role: 'unit-admin',
  began_ms: 1,
  idle_ms: 900_000,
  longest_ms: 43_200_000,
};

/** Return the frame as HTML, once it was asked who is logged in. */
async function draw(person: DeskPerson): Promise<string> {
  const port = { ask: async () => ({ kind: 'told', answer: person }) } as unknown as DeskPort;
  const desk = new UnitDesk(port, () => 0);
  await desk.begin();
  const props = {
    desk,
    codes: { draw: async () => null },
    title: 'Desk',
    note: '',
    away: '',
    nameOf: (part: string) => part,
    children: createRawSnippet(() => ({ render: () => '<p>the part</p>' })),
  };
  return render(DeskFrame as unknown as Component<typeof props>, { props }).body;
}

/** Caught: a place for the ends of the logs that filled up was told to nobody at the desk. */
test('[SEC-17] that no end of the logs has left for a day is told, and nothing while one has', async () => {
  expect(await draw({ ...IDA, heads_late: true })).toContain(words.headsLate);
  expect(await draw({ ...IDA, heads_late: false })).not.toContain(words.headsLate);
  expect(await draw(IDA)).toContain('the part');
});
