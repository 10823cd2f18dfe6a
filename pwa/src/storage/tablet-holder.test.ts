/** What a page may ask of the keys, a key given back by the unit, and a tablet given up as lost. */
import { beforeEach, expect, test } from 'vitest';
import { REVOKED_PROBLEM } from '../network/revocation';
import { aboutReturn, aboutShare, base64Of, bytesOf, openSealed, seal } from '../network/sealing';
import { UnitRequests } from '../network/unit-requests';
import type { ExchangeStanding } from '../ports';
import { readTold } from '../told';
import { MemoryTabletDisk, patientsOf, savePatient } from './memory-tablet';
import { TabletHolder } from './tablet-holder';

const PIN = '294618';
const PERSON = { staff: 'staff/s-1', name: 'A Person', role: 'endoscopist' };
const AT = 1_790_000_000_000;
const spki = async (key: CryptoKey) =>
  base64Of(new Uint8Array(await crypto.subtle.exportKey('spki', key)));

/** The server's one key signs (ECDSA) and opens (ECDH): two views of the same numbers. */
const signing = await crypto.subtle.generateKey({ name: 'ECDSA', namedCurve: 'P-256' }, true, [
  'sign',
  'verify',
]);
const serverKey = await spki(signing.publicKey);
const { key_ops: _ops, ...numbers } = await crypto.subtle.exportKey('jwk', signing.privateKey);
const CURVE = { name: 'ECDH', namedCurve: 'P-256' };
const opening: CryptoKeyPair = {
  privateKey: await crypto.subtle.importKey('jwk', numbers, CURVE, true, ['deriveBits']),
  publicKey: await crypto.subtle.importKey('spki', bytesOf(serverKey), CURVE, true, []),
};

let disk: MemoryTabletDisk;
let isDown: boolean;
let asked: string[];
let sealedEntries: number;
let wiped: string[];
let standings: ExchangeStanding[];
let revocation: Record<string, unknown> | null;
/** What the key was given back for; null refuses. */
let recovers: boolean;

beforeEach(() => {
  disk = new MemoryTabletDisk();
  isDown = false;
  asked = [];
  sealedEntries = 0;
  wiped = [];
  standings = [];
  revocation = null;
  recovers = true;
});

async function unit(path: string, init: RequestInit): Promise<Response> {
  if (isDown) throw new TypeError('network down');
  asked.push(path);
  if (path === '/api/devices/own') {
    return new Response(JSON.stringify({ is_waiting: false, revocation }));
  }
  const content = JSON.parse(await textOf(init)) as Record<string, never>;
  if (path === '/api/exchange/sealed') {
    const { entries } = content as unknown as { entries: [string, number, string][] };
    sealedEntries += entries.length;
    const [epoch, counter] = entries.at(-1) ?? ['', 0];
    return new Response(JSON.stringify({ tip: { epoch, counter, hash: '' }, quarantined: [] }));
  }
  if (path === '/api/devices') {
    const answer = {
      token: 'token-b',
      unit_name: 'Unit',
      streams: ['care'],
      server_key: serverKey,
    };
    return new Response(JSON.stringify(answer));
  }
  if (path !== '/api/devices/recovery' || !recovers) {
    return new Response('{"detail":"No."}', { status: 403 });
  }
  const { device, share, to } = content as unknown as Record<'device' | 'share' | 'to', string>;
  const key = await openSealed(opening, aboutShare(device), bytesOf(share));
  const back = await seal(to, aboutReturn(device), key ?? new Uint8Array());
  return new Response(JSON.stringify({ sealed: base64Of(back) }));
}

async function textOf({ body }: RequestInit): Promise<string> {
  if (!(body instanceof ArrayBuffer)) return String(body ?? '{}');
  const stream = new Blob([body]).stream().pipeThrough(new DecompressionStream('gzip'));
  return new Response(stream).text();
}

async function start(): Promise<TabletHolder> {
  return new TabletHolder(await disk.start(), new UnitRequests(unit), null, {
    onExchange: (standing) => standings.push(standing),
    onWiped: (sentence) => wiped.push(sentence),
    later: () => () => {},
  });
}

/** A joined tablet with a PIN, three patients that the unit lacks, and locked again. */
async function begin(): Promise<TabletHolder> {
  const holder = await start();
  const records = await holder.open();
  if (records === null) throw new Error('locked');
  const own = { device: 'tablet-a', role: 'bedside' as const, unitName: 'Unit', streams: ['care'] };
  records.store.becomeDevice({ ...own, token: 'token-a', serverKey }, 'epoch0');
  holder.noteExchange();
  await holder.carryOut('addPerson', [PERSON, PIN, null]);
  for (const id of ['p-1', 'p-2', 'p-3']) await savePatient(records, id, 'Zacharias Planted');
  return holder;
}

/** Let what was begun without being waited for come to its end. */
async function settle(isDone: () => boolean): Promise<void> {
  for (let turn = 0; turn < 2_000 && !isDone(); turn++) {
    await new Promise((resolve) => setTimeout(resolve));
  }
  expect(isDone()).toBe(true);
}

async function lost(wipe: boolean) {
  const text = `crura-revocation\ntablet-a\n${AT}\n${wipe ? 'wipe' : 'keep'}`;
  const way = { name: 'ECDSA', hash: 'SHA-256' };
  const bytes = new TextEncoder().encode(text);
  const signature = await crypto.subtle.sign(way, signing.privateKey, bytes);
  return {
    type: REVOKED_PROBLEM,
    device: 'tablet-a',
    revoked_ms: AT,
    wipe,
    signature: base64Of(new Uint8Array(signature)),
  };
}

test('[SEC-14] locked, it sends what is sealed and tells how much is left', async () => {
  await begin();
  isDown = true;
  const holder = await start();
  expect(await holder.open()).toBeNull();
  await settle(() => standings.length > 0);
  expect(standings.at(-1)).toMatchObject({ state: 'no-network', unsent: 3 });
  expect(await holder.locked()).toMatchObject({ unsent: 3, oldestUnsentMs: 1_000 });

  isDown = false;
  holder.nudge();
  await settle(() => standings.at(-1)?.unsent === 0);

  expect(sealedEntries).toBe(3);
  await holder.carryOut('unlock', [PERSON.staff, PIN]);
  expect((await holder.open())?.store.unsent().count).toBe(0);
});

test('[SEC-12] with every key gone the unit gives the data key back, after joining anew', async () => {
  await begin();
  await Promise.all([disk.ring.files.wipe(), disk.ring.indexed.wipe()]);
  const holder = await start();
  expect(await holder.open()).toBeNull();
  expect(await holder.locked()).toMatchObject({ areKeysLost: true });

  const { answer, opensAnew } = await holder.carryOut('recover', ['CODE']);

  expect([answer, opensAnew]).toEqual([{ kind: 'recovered' }, true]);
  const records = await holder.open();
  expect(records && patientsOf(records)).toEqual(['patient/p-1', 'patient/p-2', 'patient/p-3']);
  // It goes on as the device it has joined as, in an epoch of its own (SG6).
  expect(records?.store.ownDevice()).toMatchObject({ device: 'tablet-a', token: 'token-b' });
  expect(records?.store.tip().epoch).not.toBe('epoch0');
});

test('without the network, and where the unit refuses, the answer is one sentence', async () => {
  await begin();
  await Promise.all([disk.ring.files.wipe(), disk.ring.indexed.wipe()]);
  const holder = await start();
  await holder.open();

  recovers = false;
  expect((await holder.carryOut('recover', [''])).answer).toEqual({
    kind: 'refused',
    sentence: 'No.',
  });
  isDown = true;
  expect((await holder.carryOut('recover', [''])).answer).toMatchObject({ kind: 'refused' });
  disk.share.text = null;
  const { answer } = await holder.carryOut('recover', ['']);
  expect(readTold((answer as { sentence: string }).sentence)?.code).toBe('noShare');
});

/** [SEC-15] [RQ8] The planted bug it has caught: everything removed before what was left is sent. */
test('given up as lost while locked: it sends what it holds, then nothing is left', async () => {
  await begin();
  revocation = await lost(true);
  const holder = await start();
  await holder.open();

  await settle(() => wiped.length > 0);

  expect(sealedEntries).toBe(3);
  expect(readTold(wiped[0] ?? '')).toEqual({ code: 'wipedByUnit', values: { count: 0 } });
  expect(disk.files.size).toBe(0);
  expect(disk.share.text).toBeNull();
  expect(disk.copy.entries).toEqual([]);
});

test('given up as lost while open: the same, and a refusal says it', async () => {
  const holder = await begin();

  await holder.noteProblem(await lost(true));

  expect(sealedEntries).toBe(3);
  expect(wiped).toHaveLength(1);
  expect(disk.files.size).toBe(0);
});

test.each([
  ['revoked, and not lost', async () => lost(false)],
  ['signed by nobody', async () => ({ ...(await lost(true)), signature: 'AAAA' })],
  ['of another tablet', async () => ({ ...(await lost(true)), device: 'tablet-b' })],
  ['of another kind', async () => ({ ...(await lost(true)), type: 'about:blank' })],
])('a refusal that is %s removes nothing', async (_, problem) => {
  const holder = await begin();

  await holder.noteProblem(await problem());

  expect(wiped).toEqual([]);
  expect(disk.files.size).toBeGreaterThan(0);
});

test('without the network nothing is removed yet: what it holds is nowhere else', async () => {
  const holder = await begin();
  isDown = true;

  await holder.noteProblem(await lost(true));
  expect(wiped).toEqual([]);

  isDown = false;
  await holder.noteProblem(await lost(true));
  expect(wiped).toHaveLength(1);
});

test('to begin anew removes everything, and says so', async () => {
  await begin();
  await Promise.all([disk.ring.files.wipe(), disk.ring.indexed.wipe()]);
  isDown = true;
  const holder = await start();
  await holder.open();

  await holder.carryOut('startAnew', []);

  expect(readTold(wiped[0] ?? '')?.code).toBe('startedAnew');
  expect(disk.files.size).toBe(0);
});
