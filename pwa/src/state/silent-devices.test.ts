import { expect, test } from 'vitest';
import type { RecordStore, UnitDevice, UnitDevicesAnswer } from '../ports';
import { SilentDevices } from './silent-devices.svelte';

const HOUR_MS = 3_600_000;
const DEVICE: UnitDevice = {
  id: 'tab-a',
  name: 'Room 2',
  role: 'bedside',
  joined_ms: 1_790_000_000_000,
  last_contact_ms: 1_790_000_000_000,
  clock_offset_ms: 0,
  silent_ms: 0,
  silence: 'none',
};
const storeThat = (answer: UnitDevicesAnswer) =>
  ({ unitDevices: async () => answer, onExchange: () => () => {} }) as unknown as RecordStore;
const settle = () => new Promise((resolve) => setTimeout(resolve));

/** Caught a planted bug: an escalated device told in the words of a silent one. */
test('[HAZ-35] silent devices are told with how long, and from three days on whom to tell', async () => {
  const devices = new SilentDevices(
    storeThat({
      kind: 'told',
      devices: [
        { ...DEVICE, silent_ms: 73 * HOUR_MS, silence: 'escalated' },
        {
          ...DEVICE,
          id: 'tab-b',
          silent_ms: 25 * HOUR_MS,
          silence: 'silent',
          last_contact_ms: null,
        },
        { ...DEVICE, id: 'tab-c' },
      ],
    }),
  );
  await settle();

  expect(devices.rows.map(({ id, text }) => [id, text])).toEqual([
    ['tab-a', 'Room 2: silent for 3 days. Tell the unit lead.'],
    ['tab-b', 'Room 2: silent for 25 hours.'],
  ]);
  expect(devices.rows[0]?.last).toMatch(/^Last exchange .+\.$/);
  expect(devices.rows[1]?.last).toMatch(/^Joined .+, no exchange since\.$/);
  expect(devices.notTold).toBe('');
});

test('[HAZ-35] while the unit cannot be asked, that is said and no device is called well', async () => {
  const devices = new SilentDevices(
    storeThat({ kind: 'not-told', sentence: 'The unit cannot be reached.' }),
  );
  await settle();

  expect(devices.rows).toEqual([]);
  expect(devices.notTold).toBe('The unit cannot be reached.');
});
