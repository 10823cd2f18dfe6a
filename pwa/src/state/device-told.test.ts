import { expect, test } from 'vitest';
import type { DeskDevice, DeviceTold } from '../desk-questions';
import type { FleetDevice } from '../network-questions';
import { deviceWords } from '../text/network';
import { toldWords } from '../text/unit-desk';
import { remarksOfDevice } from './device-told';

const TOLD: DeviceTold = {
  ago_ms: 59_999,
  build: '0123456789ab',
  is_other_build: false,
  protocol: 1,
  is_other_protocol: false,
  has_other_rules: false,
  unsent: 0,
  unsent_pictures: 0,
  is_kept: true,
  used_bytes: 20_999_999,
  quota_bytes: 900_000_000,
};
const UNKNOWN: DeviceTold = {
  ...{ ago_ms: 60_000, build: null, is_other_build: null, has_other_rules: null },
  ...{ protocol: null, is_other_protocol: null },
  ...{ unsent: null, unsent_pictures: null, is_kept: null, used_bytes: null, quota_bytes: null },
};
const device = (silence: DeskDevice['silence'], told: DeviceTold | null): DeskDevice => ({
  ...{ id: 'tablet-a', name: 'Room 4', role: 'bedside', joined_ms: 1, last_contact_ms: 2 },
  ...{ silent_ms: 0, silence, is_waiting: false, told },
});

test('a tablet on which all is well stands out in nothing', () => {
  expect(remarksOfDevice(device('none', TOLD))).toEqual([]);
  expect(toldWords(TOLD)).toBe(
    'told just now · nothing unsent · its browser keeps its records · 20 of 900 MB used · build 0123456789ab · exchange version 1',
  );
});

/** Has caught a planted bug: null taken for 0, which said that nothing was unsent. */
test('[DM-01] what a tablet did not tell is said so and stands out in nothing', () => {
  expect(remarksOfDevice(device('silent', UNKNOWN))).toEqual([]);
  expect(remarksOfDevice(device('silent', null))).toEqual([]);
  expect(toldWords(UNKNOWN)).toBe(
    'told 1 minute ago · unsent entries not told · whether its browser keeps its records: not told · storage not told · build not told · exchange version not told',
  );
  expect(toldWords(null)).toBe('It has told nothing of itself since it joined.');
});

test.each<[Partial<DeviceTold>, DeskDevice['silence'], string[]]>([
  [{ unsent: 1 }, 'none', []],
  [{ unsent: 1 }, 'silent', ['unsent-away']],
  [{ unsent: 1 }, 'escalated', ['unsent-away']],
  [{ unsent_pictures: 1 }, 'silent', ['unsent-away']],
  [{ is_kept: false }, 'none', ['may-be-cleared']],
  [{ has_other_rules: true }, 'none', ['other-rules']],
  [{ is_other_build: true }, 'none', ['other-build']],
  [{ protocol: 2, is_other_protocol: true }, 'none', ['other-protocol']],
  [
    { is_other_build: true, has_other_rules: true, is_kept: false, unsent: 2 },
    'silent',
    ['unsent-away', 'may-be-cleared', 'other-rules', 'other-build'],
  ],
])('[DM-01] [HAZ-35] %j of one that is %s stands out', (more, silence, found) => {
  expect(remarksOfDevice(device(silence, { ...TOLD, ...more }))).toEqual(found);
});

test('[DM-01] a clock more than two minutes off stands out, whatever else was told', () => {
  const off = (ms: number) => ({ ...device('none', null), clock_offset_ms: ms });

  expect([-120_001, -120_000, 120_000, 120_001].map((ms) => remarksOfDevice(off(ms)))).toEqual([
    ['clock'],
    [],
    [],
    ['clock'],
  ]);
});

/** Caught: neither the desk of the unit nor that of the network had a place for it. */
test('[DM-01] [EX24] a unit that tells no protocol is of an older release: it is not told', () => {
  const { protocol: _, is_other_protocol: __, ...older } = TOLD;

  expect(toldWords(older)).toContain(' · exchange version not told');
  expect(remarksOfDevice(device('none', older))).toEqual([]);
});

test('unsent work is counted in words, and a browser that may clear is left to its remark', () => {
  const words = toldWords({ ...TOLD, unsent: 1, unsent_pictures: 2, is_kept: false });

  expect(words).toBe(
    'told just now · 1 entry unsent · 2 pictures unsent · 20 of 900 MB used · build 0123456789ab · exchange version 1',
  );
});

const fleet = (more: Partial<FleetDevice>): FleetDevice => ({
  ...{ device: 'a1', last_contact_ms: 0, silence: 'none', clock_offset_ms: 0 },
  ...{ build: '0123456789ab', protocol: 1, unsent: 0, storage: 'kept' },
  ...more,
});

/** Has caught a planted bug: what was not told left out, as if nothing were unsent. */
test.each<[Partial<FleetDevice>, string]>([
  [
    {},
    'Not yet sent: nothing · its browser keeps its records · build 0123456789ab · exchange version 1',
  ],
  [
    { unsent: 2, storage: 'may-be-cleared' },
    'Not yet sent: 2 entries · its browser does not promise to keep its records · build 0123456789ab · exchange version 1',
  ],
  [
    { build: '', storage: 'unknown' },
    'Not yet sent: nothing · whether its browser keeps its records: not told · build not told · exchange version 1',
  ],
  [
    { unsent: null },
    'not yet sent: not told · its browser keeps its records · build 0123456789ab · exchange version 1',
  ],
  [
    { build: '', protocol: null, unsent: null, storage: 'unknown' },
    'build, exchange version, unsent work and storage not told',
  ],
  [
    { protocol: null },
    'Not yet sent: nothing · its browser keeps its records · build 0123456789ab · exchange version not told',
  ],
  [
    { protocol: 2 },
    'Not yet sent: nothing · its browser keeps its records · build 0123456789ab · exchange version 2, another than its unit speaks',
  ],
  [
    { silence: 'silent', unsent: 1 },
    'silent with unsent work: look for it first · Not yet sent: 1 entry · its browser keeps its records · build 0123456789ab · exchange version 1',
  ],
])('[DM-01] the network is told of a device %j', (more, words) => {
  expect(deviceWords(fleet(more), 60_000, '1')).toBe(`1 minute ago · ${words}`);
});

test('[EX24] of a unit that told no version, no device speaks another one', () => {
  for (const theirs of ['', undefined]) {
    expect(deviceWords(fleet({}), 60_000, theirs)).toMatch(/ · exchange version 1$/);
  }
});
