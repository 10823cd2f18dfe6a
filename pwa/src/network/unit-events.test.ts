import { expect, test } from 'vitest';
import { retryWaitMs } from './retry-wait';
import { readEvents } from './unit-events';

function streamOf(pieces: string[]): ReadableStream<Uint8Array> {
  const encoder = new TextEncoder();
  return new ReadableStream({
    start(controller) {
      for (const piece of pieces) controller.enqueue(encoder.encode(piece));
      controller.close();
    },
  });
}

async function count(pieces: string[]): Promise<number> {
  let events = 0;
  await readEvents(streamOf(pieces), () => events++);
  return events;
}

test('an event cut into pieces is one event', async () => {
  expect(await count(['da', 'ta: {"heads":{"ca', 're":3}}\n', '\n'])).toBe(1);
});

test('a comment that keeps the line open is no event', async () => {
  expect(await count([': still here\n\n', ': still here\r\n\r\n'])).toBe(0);
});

test('an event that was cut off at the end is not counted', async () => {
  expect(await count(['data: {}\n\n', 'data: {"he'])).toBe(1);
});

test('the wait doubles from half a second or more up to a minute, and rests after success', () => {
  expect(retryWaitMs(0, 0.3)).toBe(30_000);
  expect([1, 2, 3].map((failures) => retryWaitMs(failures, 1))).toEqual([1_000, 2_000, 4_000]);
  expect(retryWaitMs(1, 0)).toBe(500);
  expect(retryWaitMs(500, 1)).toBe(20_000);
});
