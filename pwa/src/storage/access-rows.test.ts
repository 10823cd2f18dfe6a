/** The chain of accesses on a tablet, and how it reaches the unit. */
import { expect, test } from 'vitest';
import { sendAccessLines } from '../network/access-sending';
import { NoAnswerError, UnitRequests } from '../network/unit-requests';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { hashText } from '../sync/operation';
import {
  type AccessNote,
  dropLines,
  isNewAccess,
  linesToSend,
  noteAccess,
  ONE_ACCESS_MS,
} from './access-rows';
import { openMemoryDisk } from './memory-database';
import { OperationStore } from './operation-store';

const NOON = 1_790_000_000_000;
const NOTE: AccessNote = {
  person: 'staff/w',
  role: 'endoscopist',
  verb: 'read',
  object: 'case',
  records: ['patient/p-1', 'case/c-1'],
  why: '',
  outcome: 'done',
};

async function openStore(): Promise<OperationStore> {
  const { database } = await openMemoryDisk();
  const store = new OperationStore(database, packagedCatalogue());
  store.becomeDevice(
    { device: 'tablet-a', role: 'bedside', token: 'token', unitName: 'Unit', streams: ['care'] },
    'ep01',
  );
  return store;
}

function noteSome(store: OperationStore, count: number): void {
  for (let number = 0; number < count; number++) {
    noteAccess(store.database, 'tablet-a', NOTE, NOON + number, () => 'ch01');
  }
}

/** Answers as the unit does, and keeps what it was sent. */
function unitThat(holds: (lines: string[]) => number): {
  sent: string[][];
  requests: UnitRequests;
} {
  const sent: string[][] = [];
  const requests = new UnitRequests(async (_path, init) => {
    const { lines } = JSON.parse(await textOf(init.body)) as { lines: string[] };
    sent.push(lines);
    return new Response(JSON.stringify({ chain: 'ch01', held: holds(lines) }));
  });
  return { sent, requests };
}

async function textOf(body: RequestInit['body']): Promise<string> {
  const squeezed = new Blob([body as ArrayBuffer]).stream();
  if (typeof body === 'string') return body;
  return new Response(squeezed.pipeThrough(new DecompressionStream('gzip'))).text();
}

const lastOf = (lines: string[]) => JSON.parse(lines.at(-1) ?? '{}').counter as number;

test('each line names the one before, also past those that were dropped [AU4] [AU6]', async () => {
  const store = await openStore();
  noteSome(store, 3);
  const lines = linesToSend(store.database, 10)?.lines ?? [];
  expect(lines[0]).toBe(
    '{"device":"tablet-a","chain":"ch01","counter":1,"previous":"","at_ms":1790000000000,' +
      '"person":"staff/w","role":"endoscopist","verb":"read","object":"case",' +
      '"records":["patient/p-1","case/c-1"],"why":"","outcome":"done"}',
  );
  dropLines(store.database, 'ch01', 3);
  expect(linesToSend(store.database, 10)).toBe(null);

  noteSome(store, 1);
  const [after = ''] = linesToSend(store.database, 10)?.lines ?? [];
  expect(JSON.parse(after)).toMatchObject({ counter: 4, previous: hashText(lines[2] ?? '') });
});

test.each([
  ['one millisecond less', ONE_ACCESS_MS - 1, false],
  ['fifteen minutes', ONE_ACCESS_MS, true],
  ['a clock that was put back', -1, true],
])('the same person at the same patient is one access: after %s [AU6]', async (_, ms, isNew) => {
  const { database } = await openStore();
  expect(isNewAccess(database, 'staff/w', 'patient/p-1', NOON)).toBe(true);
  expect(isNewAccess(database, 'staff/w', 'patient/p-1', NOON + ms)).toBe(isNew);
  // Another person, or another patient, is another access.
  expect(isNewAccess(database, 'staff/x', 'patient/p-1', NOON + ms)).toBe(true);
  expect(isNewAccess(database, 'staff/w', 'patient/p-2', NOON + ms)).toBe(true);
});

/** The planted bug it has caught: lines that the unit had not acknowledged were dropped. */
test('lines stay until the unit says that it holds them [AU6]', async () => {
  const store = await openStore();
  noteSome(store, 250);
  const deaf = new UnitRequests(async () => {
    throw new TypeError('no network');
  });
  await expect(sendAccessLines(store, deaf)).rejects.toThrow(NoAnswerError);
  const half = unitThat(() => 60);
  await sendAccessLines(store, half.requests);
  expect(JSON.parse(linesToSend(store.database, 1)?.lines[0] ?? '{}').counter).toBe(61);

  const { sent, requests } = unitThat(lastOf);
  await sendAccessLines(store, requests);
  expect(sent.map((lines) => lines.length)).toEqual([100, 90]);
  expect(linesToSend(store.database, 1)).toBe(null);
});

test('nothing is sent by a device that has not joined, or waits to be let in [AU6]', async () => {
  const store = await openStore();
  noteSome(store, 1);
  const { sent, requests } = unitThat(lastOf);
  const own = { device: 'tablet-a', role: 'bedside' as const, unitName: 'Unit', streams: ['care'] };
  store.becomeDevice({ ...own, token: 'token', waiting: '123456' }, 'ep01');
  await sendAccessLines(store, requests);
  store.becomeDevice({ ...own, token: null }, 'ep01');
  await sendAccessLines(store, requests);
  expect(sent).toEqual([]);
});
