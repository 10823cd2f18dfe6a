/** What a page may ask of the keys, a key given back by the unit, and a tablet given up as lost. */
import { beforeEach, expect, test } from 'vitest';
import { digitsOf } from '../network/joining';
import type { Signer } from '../network/push-signing';
import { REVOKED_PROBLEM } from '../network/revocation';
import { aboutReturn, aboutShare, base64Of, bytesOf, openSealed, seal } from '../network/sealing';
import { UnitRequests } from '../network/unit-requests';
import type { ExchangeStanding } from '../ports';
import { readTold } from '../told';
import { linesToSend } from './access-rows';
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

const signs: Signer = { publicKey: serverKey, sign: async () => 'AAAA' };

let disk: MemoryTabletDisk;
let isDown: boolean;
/** The network takes what is sent and never answers. */
let isSilent: boolean;
/** The log of which the unit takes nothing. */
let refusedEpoch: string;
let asked: string[];
let sealedEntries: number;
let wiped: string[];
let standings: ExchangeStanding[];
let revocation: Record<string, unknown> | null;
/** How often the unit will give the key back: once for each joining that is for it. */
let recoveries: number;
/** What each joining said. */
let joinings: Record<string, unknown>[];
let isWaiting: boolean;
let isKeyRefused: boolean;
/** What the unit was told once a tablet had cleared itself, and what lay there and was sent then. */
let cleared: Record<string, unknown>[];
let refusesCleared: boolean;
/** Codes of invitations that nobody has used yet. */
let codes: Set<string>;

beforeEach(() => {
  disk = new MemoryTabletDisk();
  isDown = false;
  isSilent = false;
  refusedEpoch = '';
  asked = [];
  sealedEntries = 0;
  wiped = [];
  standings = [];
  revocation = null;
  recoveries = 0;
  joinings = [];
  isWaiting = false;
  isKeyRefused = false;
  cleared = [];
  refusesCleared = false;
  codes = new Set(['CODE', 'OTHER']);
});

async function unit(path: string, init: RequestInit): Promise<Response> {
  if (isDown) throw new TypeError('network down');
  asked.push(path);
  if (isSilent) {
    return new Promise((_, reject) =>
      init.signal?.addEventListener('abort', () => reject(init.signal?.reason)),
    );
  }
  if (path === '/api/devices/own') {
    return new Response(
      JSON.stringify({ is_waiting: isWaiting, is_key_refused: isKeyRefused, revocation }),
    );
  }
  const content = JSON.parse(await textOf(init)) as Record<string, never>;
  if (path === '/api/devices/own/cleared') {
    const { credentials } = init;
    const isSigned = new Headers(init.headers).has('Signature');
    const there = { files: disk.files.size, share: disk.share.text, sent: sealedEntries };
    cleared.push({ ...content, credentials, isSigned, ...there });
    return refusesCleared ? refusal('No.') : new Response(null, { status: 204 });
  }
  if (path === '/api/nonces') return new Response('{"nonces":["nonce"]}');
  if (path === '/api/exchange/sealed') {
    const { entries } = content as unknown as { entries: [string, number, string][] };
    const [epoch, counter] = entries.at(-1) ?? ['', 0];
    if (epoch === refusedEpoch || !new Headers(init.headers).has('Authorization')) {
      return refusal('No.');
    }
    sealedEntries += entries.length;
    return new Response(JSON.stringify({ tip: { epoch, counter, hash: '' }, quarantined: [] }));
  }
  if (path === '/api/devices') {
    joinings.push(content);
    isKeyRefused = false;
    if (!codes.delete(String(content.code))) return refusal('This code was used.');
    recoveries = content.for_recovery ? 1 : 0;
    const answer = {
      is_waiting: isWaiting,
      token: 'token-b',
      unit_name: 'Unit',
      streams: ['care'],
      server_key: serverKey,
    };
    return new Response(JSON.stringify(answer));
  }
  if (path !== '/api/devices/recovery' || isWaiting || recoveries-- < 1) return refusal('No.');
  const { device, share, to } = content as unknown as Record<'device' | 'share' | 'to', string>;
  const key = await openSealed(opening, aboutShare(device), bytesOf(share));
  const back = await seal(to, aboutReturn(device), key ?? new Uint8Array());
  return new Response(JSON.stringify({ sealed: base64Of(back) }));
}

function refusal(detail: string): Response {
  return new Response(JSON.stringify({ detail }), { status: 403 });
}

async function textOf({ body }: RequestInit): Promise<string> {
  if (!(body instanceof ArrayBuffer)) return String(body ?? '{}');
  const stream = new Blob([body]).stream().pipeThrough(new DecompressionStream('gzip'));
  return new Response(stream).text();
}

async function start(signer: Signer | null = null): Promise<TabletHolder> {
  return new TabletHolder(await disk.start(), new UnitRequests(unit), signer, {
    onExchange: (standing) => standings.push(standing),
    onWiped: (sentence) => wiped.push(sentence),
    later: () => () => {},
  });
}

/** A joined tablet with a PIN, three patients that the unit lacks, and locked again. */
async function begin(signer: Signer | null = null): Promise<TabletHolder> {
  const holder = await start(signer);
  const records = await holder.open();
  if (records === null) throw new Error('locked');
  const own = { device: 'tablet-a', role: 'bedside' as const, unitName: 'Unit', streams: ['care'] };
  const key = signer && { key: signer.publicKey };
  records.store.becomeDevice({ ...own, ...key, token: 'token-a', serverKey }, 'epoch0');
  holder.noteExchange();
  await holder.carryOut('addPerson', [PERSON, PIN, null]);
  for (const id of ['p-1', 'p-2', 'p-3']) await savePatient(records, id, 'Zacharias Planted');
  return holder;
}

/** A locked tablet whose every key is gone. */
async function loseKeys(signer: Signer | null = null): Promise<TabletHolder> {
  await begin();
  await Promise.all([disk.ring.files.wipe(), disk.ring.indexed.wipe()]);
  const holder = await start(signer);
  await holder.open();
  await settle(() => standings.at(-1)?.unsent === 0);
  return holder;
}

function codeOf(answer: unknown): string | undefined {
  return readTold((answer as { sentence: string }).sentence)?.code;
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

/** Caught: the only PIN of a tablet could be tried without end; and nothing unsent may go with it. */
test('[SEC-13] the last PIN tried out: nothing is lost, an emergency begins, the unit opens all', async () => {
  await begin();
  isDown = true;
  const holder = await start();
  expect(await holder.open()).toBeNull();
  const answers: unknown[] = [];
  for (let wrong = 1; wrong <= 20; wrong++) {
    disk.ranMs += 900_000;
    answers.push((await holder.carryOut('unlock', [PERSON.staff, '111112'])).answer);
  }
  expect(answers.at(-2)).toMatchObject({ kind: 'wrong', triesLeft: 1 });
  expect(answers.at(-1)).toEqual({ kind: 'removed', isNobodyLeft: true });
  expect((await holder.carryOut('unlock', [PERSON.staff, PIN])).answer).toMatchObject({
    kind: 'removed',
  });
  expect(await holder.locked()).toMatchObject({ keys: { people: [] }, unsent: 3 });
  expect((await holder.carryOut('startEmergency', [])).answer).toEqual({ kind: 'started' });
  const emergency = await holder.open();
  expect([holder.isEmergency, emergency && patientsOf(emergency)]).toEqual([true, []]);

  isDown = false;
  const next = await start();
  await next.carryOut('lock', []);
  expect(await next.open()).toBeNull();
  expect(await next.locked()).toMatchObject({ areKeysLost: true });
  expect((await next.carryOut('recover', ['CODE'])).answer).toEqual({ kind: 'recovered' });
  const records = await next.open();
  expect(records && patientsOf(records)).toEqual(['patient/p-1', 'patient/p-2', 'patient/p-3']);
});

/** [SEC-12] [SE4] The planted bug it has caught: a device that is joined asked without a code. */
test('without a fresh invitation the unit is not even asked', async () => {
  const holder = await loseKeys();
  asked = [];

  for (const code of ['', '']) {
    const { answer } = await holder.carryOut('recover', [code]);
    expect(codeOf(answer)).toBe('freshCodeNeeded');
  }

  expect(asked).toEqual([]);
  expect(await holder.open()).toBeNull();
});

/** [RQ7] A page that began anew has forgotten the code, and a person may enter the used one. */
test.each(['', 'CODE'])(
  'it waits until its digits were compared, then goes on without a second code (%j)',
  async (again) => {
    const holder = await loseKeys(signs);
    isWaiting = true;
    const waits = { answer: { kind: 'waits', digits: digitsOf(signs) }, opensAnew: false };
    for (const code of ['CODE', again]) {
      expect(await holder.carryOut('recover', [code])).toEqual(waits);
    }
    isWaiting = false;

    expect((await holder.carryOut('recover', [again])).answer).toEqual({ kind: 'recovered' });
    expect(joinings).toMatchObject([{ code: 'CODE', for_recovery: true }]);
  },
);

/** [AU4] The planted bug it has caught: each asking noted, until the wrong PINs were pushed out. */
test('asking again by itself is noted once it gave the key, and not before', async () => {
  const holder = await loseKeys(signs);
  isWaiting = true;
  await holder.carryOut('recover', ['CODE']);
  for (let turn = 0; turn < 5; turn++) await holder.carryOut('recover', ['']);
  isDown = true;
  expect((await holder.carryOut('recover', [''])).answer).toMatchObject({ kind: 'unheard' });
  isDown = false;
  isWaiting = false;
  await holder.carryOut('recover', ['']);

  const records = await holder.open();
  if (records === null) throw new Error('locked');
  const noted = (linesToSend(records.store.database, 100)?.lines ?? []).map((line) =>
    JSON.parse(line),
  );
  const asked = noted.filter(({ verb }) => verb === 'recover-key');
  expect(asked.map(({ outcome }) => outcome)).toEqual(['waiting', 'done']);
});

/** [SE4] Caught: refused at the unit, it waited on for digits for ever, whatever code came. */
test('a refused tablet says so, keeps its records, and asks anew by a fresh code', async () => {
  const holder = await loseKeys(signs);
  isWaiting = true;
  await holder.carryOut('recover', ['CODE']);
  isKeyRefused = true;

  const { answer } = await holder.carryOut('recover', ['']);
  expect([answer, codeOf(answer)]).toMatchObject([{ kind: 'refused' }, 'keyRefused']);
  expect(await holder.open()).toBeNull();
  expect((await holder.carryOut('recover', ['OTHER'])).answer).toMatchObject({ kind: 'waits' });
  isWaiting = false;
  expect((await holder.carryOut('recover', [''])).answer).toEqual({ kind: 'recovered' });
});

/** [SE4] The planted bug it has caught: a joining that is over tried for ever. */
test('a joining that gives the key no more is followed by that of a fresh code', async () => {
  const holder = await loseKeys(signs);
  isWaiting = true;
  await holder.carryOut('recover', ['CODE']);
  isWaiting = false;
  recoveries = 0;

  const said = [];
  for (const code of ['', 'CODE', 'OTHER']) {
    said.push((await holder.carryOut('recover', [code])).answer);
  }

  expect(said).toEqual([
    { kind: 'refused', sentence: 'No.' },
    { kind: 'refused', sentence: 'This code was used.' },
    { kind: 'recovered' },
  ]);
});

test('without the network, and where nothing was sealed, the answer is one sentence', async () => {
  const holder = await loseKeys();
  isDown = true;
  expect((await holder.carryOut('recover', ['CODE'])).answer).toMatchObject({ kind: 'unheard' });
  disk.share.text = null;
  expect(codeOf((await holder.carryOut('recover', ['CODE'])).answer)).toBe('noShare');
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

/** [REL-14] The planted bug it has caught: a copy that cannot be read told as nothing unsent. */
test('what cannot be read is told as not known, never as nothing', async () => {
  await begin();
  const read = disk.copy.read.bind(disk.copy);
  disk.copy.read = () => Promise.reject(new DOMException('it is shut', 'UnknownError'));
  const holder = await start();
  expect(await holder.open()).toBeNull();
  await settle(() => standings.length > 0);

  expect(standings.at(-1)).toMatchObject({ state: 'refused', isUnsentUnknown: true });
  expect(await holder.locked()).toMatchObject({ unsent: null, oldestUnsentMs: null });

  disk.copy.read = read;
  holder.nudge();
  await settle(() => standings.at(-1)?.state === 'resting');
  expect(standings.at(-1)).not.toHaveProperty('isUnsentUnknown');
});

/** An emergency case with one patient, on a locked tablet whose three patients the unit lacks. */
async function beginEmergency(): Promise<TabletHolder> {
  await begin();
  const holder = await start();
  await holder.open();
  await holder.carryOut('startEmergency', []);
  const records = await holder.open();
  if (records === null || !holder.isEmergency) throw new Error('no emergency');
  await savePatient(records, 'e-1', 'Zacharias Planted');
  return holder;
}

/** The planted bug it has caught: an end that waited for the answer of the unit. */
test('an emergency case and a PIN wait for no network that swallows what is sent', async () => {
  await begin();
  isSilent = true;
  const holder = await start();
  await holder.open();
  await settle(() => asked.includes('/api/exchange/sealed'));

  await holder.carryOut('startEmergency', []);
  expect((await holder.open()) !== null && holder.isEmergency).toBe(true);
  await settle(() => asked.filter((path) => path === '/api/exchange/sealed').length === 2);
  await holder.carryOut('unlock', [PERSON.staff, PIN]);

  expect((await holder.open())?.store.unsent().count).toBe(3);
  // Of requests that were given up nothing counts as sent, and the status line is the store's.
  expect(standings).toEqual([]);
});

/** [SEC-14] The planted bug it has caught: entries of an emergency sent by nobody. */
test('locked again, the tablet sends what its emergency case has recorded', async () => {
  isDown = true;
  const emergency = await beginEmergency();
  await emergency.carryOut('lock', []);
  isDown = false;

  const holder = await start();
  expect(await holder.open()).toBeNull();
  await settle(() => standings.at(-1)?.unsent === 0);

  expect(sealedEntries).toBe(4);
  await holder.carryOut('unlock', [PERSON.staff, PIN]);
  const records = await holder.open();
  expect(records && patientsOf(records)).toHaveLength(4);
  expect(records?.store.unsent().count).toBe(0);
});

/** [SEC-14] The planted bug it has caught: the copy of the open case put back to an older head. */
test('in an emergency it goes on sending, and leaves the copy of the open case alone', async () => {
  const holder = await beginEmergency();
  const before = structuredClone(disk.emergencies.get(1)?.head);
  holder.nudge();
  await settle(() => sealedEntries === 4);
  holder.nudge();
  await settle(() => asked.filter((path) => path === '/api/devices/own').length > 1);

  expect(sealedEntries).toBe(4);
  expect(disk.emergencies.get(1)?.head).toEqual(before);
});

/**
 * [SEC-15] [RQ8] The planted bug it has caught: nothing sent of the logs after one that was refused.
 */
test('given up as lost in an emergency: all that the unit takes is sent, then all goes', async () => {
  isDown = true;
  const holder = await beginEmergency();
  isDown = false;
  refusedEpoch = 'epoch0';

  await holder.noteProblem(await lost(true));

  expect(asked.filter((path) => path === '/api/exchange/sealed')).toHaveLength(2);
  expect(sealedEntries).toBe(1);
  expect(wiped).toHaveLength(1);
  expect([disk.files.size, disk.emergencies.get(1)?.entries]).toEqual([0, []]);
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

/**
 * [SEC-27] [RQ9] The planted bugs it has caught: told before anything was sent or removed, when the
 * answer would have taken it all; and in a request whose answer no browser lets clear anything.
 */
test('given up as lost, it says that it is cleared once all is sent and removed', async () => {
  const holder = await begin(signs);

  await holder.noteProblem(await lost(true));

  const said = { unsent: 0, credentials: 'same-origin', isSigned: true };
  expect(cleared).toEqual([{ ...said, files: 0, share: null, sent: 3 }]);
  expect(wiped).toHaveLength(1);
});

test('[RQ9] how much the unit never took is told as well, and a refusal changes nothing', async () => {
  const holder = await begin(signs);
  refusedEpoch = 'epoch0';
  refusesCleared = true;

  await holder.noteProblem(await lost(true));

  expect(cleared).toMatchObject([{ unsent: 3, files: 0, sent: 0 }]);
  expect(readTold(wiped[0] ?? '')).toEqual({ code: 'wipedByUnit', values: { count: 3 } });
});

test('[SEC-27] it says so neither while anything waits to be sent, nor where it is not lost', async () => {
  const holder = await begin(signs);

  await holder.noteProblem(await lost(false));
  isDown = true;
  await holder.noteProblem(await lost(true));
  isDown = false;

  expect([cleared, wiped]).toEqual([[], []]);
  expect(disk.files.size).toBeGreaterThan(0);
});

test('[SEC-27] a person who begins anew keeps the app itself: it has to open without a network', async () => {
  const holder = await loseKeys(signs);

  await holder.carryOut('startAnew', []);

  expect([cleared.length, wiped.length]).toEqual([0, 1]);
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
