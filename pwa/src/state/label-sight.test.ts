import { expect, test } from 'vitest';
import type { LabelScanner, OpenLabelCamera } from '../ports';
import { LabelSight } from './label-sight.svelte';

function scannerWith(looks: (readonly string[] | null)[]) {
  const seen = { closed: 0, lit: [] as boolean[] };
  const camera = {
    stream: {},
    close: () => {
      seen.closed += 1;
    },
    light: async (isOn: boolean) => {
      seen.lit.push(isOn);
    },
    watch: async (_: unknown, found: (codes: string[] | null) => void) => {
      for (const look of looks) found(look === null ? null : [...look]);
    },
  } as unknown as OpenLabelCamera;
  const labels = { openCamera: async () => camera } as unknown as LabelScanner;
  return { labels, seen };
}
const video = () => ({}) as HTMLVideoElement;

test('looks are taken until one ends the reading, which closes the camera and its light', async () => {
  const { labels, seen } = scannerWith([[], ['a'], ['b']]);
  const taken: string[] = [];
  const sight = new LabelSight(labels, (codes) => taken.push(...codes) > 1);
  await sight.open();
  sight.turnLight();
  await sight.watch(video());

  expect(taken).toEqual(['a', 'b']);
  expect(seen).toEqual({ closed: 1, lit: [true] });
  expect([sight.camera, sight.isLit]).toEqual([null, false]);
});

test('no camera and no reader are told apart, and no reader closes nothing', async () => {
  const none = new LabelSight(
    { openCamera: async () => null } as unknown as LabelScanner,
    () => true,
  );
  await none.open();
  const { labels, seen } = scannerWith([null]);
  const blind = new LabelSight(labels, () => true);
  await blind.open();
  await blind.watch(video());

  expect([none.problem, blind.problem, seen.closed]).toEqual(['no-camera', 'no-reader', 0]);
});

test('a camera that opens after the screen is gone is closed at once', async () => {
  const { labels, seen } = scannerWith([]);
  const sight = new LabelSight(labels, () => true);
  const opening = sight.open();
  sight.dispose();
  await opening;

  expect([seen.closed, sight.camera]).toEqual([1, null]);
});
