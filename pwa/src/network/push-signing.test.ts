/** A tablet that signs, against a unit in memory; the real unit verifies in the Python tests. */
import { createHash } from 'node:crypto';
import { beforeEach, expect, test } from 'vitest';
import type { ExchangeStanding } from '../ports';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { openMemoryDisk } from '../storage/memory-database';
import { OperationStore } from '../storage/operation-store';
import { writeFingerprint } from '../sync/request-signing';
import { writeHeadText } from '../sync/signing';
import { type Row, readRows } from '../sync/wire';
import { tell } from '../told';
import { ExchangeClient } from './exchange-client';
import { MemoryUnit } from './memory-unit';
import { type Signer, signBatch } from './push-signing';
import { UnitRequests } from './unit-requests';

const WHO = { by: 'staff/s-1', tappedBy: 'staff/s-1' };
const NOON = 1_790_000_000_000;
const signerOf = (name: string): Signer => ({
  publicKey: `key of ${name}`,
  sign: async (text) => `${name} signed ${text}`,
});
/** A public key as the browser writes it. */
async function makePublicKey(): Promise<string> {
  const algorithm = { name: 'ECDSA', namedCurve: 'P-256' };
  const { publicKey } = await crypto.subtle.generateKey(algorithm, false, ['sign', 'verify']);
  const spki = new Uint8Array(await crypto.subtle.exportKey('spki', publicKey));
  return btoa(String.fromCharCode(...spki));
}

interface Sent {
  path: string;
  content: Record<string, unknown>;
}

let unit: MemoryUnit;
let store: OperationStore;
let sent: Sent[];
let saved = 0;
let epochs = 0;

beforeEach(async () => {
  unit = new MemoryUnit();
  store = new OperationStore((await openMemoryDisk()).database, packagedCatalogue());
  sent = [];
});

/** The app opened with a key (or none) on the same tablet. */
function open(signer: Signer | null, answer?: (path: string) => Response | null): ExchangeClient {
  const requests = new UnitRequests(async (path, init) => {
    if (typeof init.body === 'string') sent.push({ path, content: JSON.parse(init.body) });
    return answer?.(path) ?? unit.fetch(path, init);
  });
  const client = new ExchangeClient(store, requests, {
    nowMs: () => NOON,
    newEpoch: () => `epoch${++epochs}`,
    newDeviceId: () => 'tablet-a',
    signer,
    onRecords: () => {},
    onStanding: (_: ExchangeStanding) => {},
  });
  client.settleKey();
  return client;
}

function save(record: string): void {
  const draft = { draftId: `draft-${++saved}`, record, set: { case: 'case/c-1', stop_um: saved } };
  const newSalt = () => `${saved}`.padStart(32, '0');
  store.save([draft], WHO, { wallMs: NOON + saved, newSalt });
}

const pushes = () => sent.filter((one) => one.path === '/api/exchange/push');
const joinings = () => sent.filter((one) => one.path === '/api/devices');

test('[SG5] joining sends the public key and the epoch from which it signs', async () => {
  const client = open(signerOf('a'));

  await client.join('GOOD', 'a');

  const { epoch } = store.tip();
  expect(joinings()[0]?.content).toMatchObject({ key: 'key of a', epoch });
});

test('[SG5] a tablet that worked alone names the epoch it has', async () => {
  const alone = { device: 'tablet-a', role: 'bedside' as const, token: null };
  store.becomeDevice({ ...alone, unitName: '', streams: ['care'] }, 'epalone');

  await open(signerOf('a')).join('GOOD', 'a');

  expect(joinings()[0]?.content).toMatchObject({ epoch: 'epalone' });
});

test('[SG1] each batch carries the signature over its last operation', async () => {
  const client = open(signerOf('a'));
  await client.join('GOOD', 'a');
  for (const number of [1, 2, 3]) save(`puncture/p-${number}`);

  expect((await client.run()).state).toBe('resting');

  expect(pushes().length).toBeGreaterThan(0);
  for (const { content } of pushes()) {
    const last = readRows(content.rows as Row[], String(content.digest), 'tablet-a').at(-1);
    if (last === undefined) throw new Error('a push holds an operation');
    expect(content.signature).toBe(`a signed ${writeHeadText('tablet-a', last)}`);
  }
});

test('[SG4] a browser that gives no key joins and pushes unsigned', async () => {
  const client = open(null);
  await client.join('GOOD', 'a');
  save('puncture/p-1');

  expect((await client.run()).state).toBe('resting');

  expect(Object.keys(joinings()[0]?.content ?? {})).not.toContain('key');
  expect(Object.keys(pushes()[0]?.content ?? {})).not.toContain('signature');
});

test('[SG4] a key that came after joining signs nothing before joining again', async () => {
  await open(null).join('GOOD', 'a');
  save('puncture/p-1');
  const client = open(signerOf('a'));

  expect((await client.run()).state).toBe('resting');

  expect(Object.keys(pushes()[0]?.content ?? {})).not.toContain('signature');
});

test('[SG6] a lost key begins a new epoch, exchanges nothing until joined again, and says so', async () => {
  await open(signerOf('a')).join('GOOD', 'a');
  const before = store.tip().epoch;
  save('puncture/p-1');
  const other = signerOf('b');
  const client = open(other);
  const after = store.tip().epoch;
  open(other);
  expect(store.tip().epoch).toBe(after);
  expect(after).not.toBe(before);
  save('puncture/p-2');

  const standing = await client.run();

  expect(standing).toMatchObject({ state: 'needs-a-person', sentence: tell('keyLost'), unsent: 2 });
  expect(pushes()).toEqual([]);
  expect(unit.pulls).toEqual([]);
  await client.join('GOOD', 'a');
  expect(joinings().at(-1)?.content).toMatchObject({ key: 'key of b', epoch: after });
  expect(await client.run()).toMatchObject({ state: 'resting', unsent: 0 });
  expect(String(pushes().at(-1)?.content.signature)).toMatch(/^b signed/);
});

test('[SG6] a key that cannot be had just now is not taken for lost', async () => {
  await open(signerOf('a')).join('GOOD', 'a');
  const before = store.tip().epoch;
  save('puncture/p-1');

  expect(await open(null).run()).toMatchObject({ state: 'needs-a-person', unsent: 1 });

  expect(store.tip().epoch).toBe(before);
  expect(await open(signerOf('a')).run()).toMatchObject({ state: 'resting', unsent: 0 });
});

test('[SG3] what the unit refuses for its signature stays to be sent, and its sentence is shown', async () => {
  await open(signerOf('a')).join('GOOD', 'a');
  save('puncture/p-1');
  const { epoch } = store.tip();
  const quarantined = [{ op_id: `tablet-a.${epoch}.1`, sentence: 'ALARM: somebody else.' }];
  const refusal = { tip: { epoch, counter: 0, hash: '' }, quarantined };
  const client = open(signerOf('a'), (path) =>
    path === '/api/exchange/push' ? new Response(JSON.stringify(refusal)) : null,
  );

  const standing = await client.run();

  expect(standing).toMatchObject({ state: 'needs-a-person', unsent: 1 });
  expect(standing.sentence).toContain('ALARM: somebody else.');
  expect(await open(signerOf('a')).run()).toMatchObject({ state: 'resting', unsent: 0 });
});

test('[SG3] a device signs nothing that is not one chain', async () => {
  await open(signerOf('a')).join('GOOD', 'a');
  for (const number of [1, 2, 3]) save(`puncture/p-${number}`);
  const [first, , third] = store.ownLog(store.tip().epoch, 1, 3);
  if (first === undefined || third === undefined) throw new Error('three were saved');

  await expect(signBatch(signerOf('a'), 'tablet-a', [first, third])).rejects.toThrow(
    tell('brokenChain'),
  );
});

test('[RQ5] [RQ7] a device that has to wait shows its own digits, and exchanges nothing before', async () => {
  const signer = { ...signerOf('a'), publicKey: await makePublicKey() };
  const bytes = Buffer.from(signer.publicKey, 'base64');
  const digits = writeFingerprint(createHash('sha256').update(bytes).digest('hex'));
  let isWaiting = true;
  const answer = (path: string) =>
    path === '/api/devices/own' ? Response.json({ is_waiting: isWaiting }) : null;
  unit.isWaiting = true;
  const client = open(signer, answer);

  await client.join('GOOD', 'a');
  save('puncture/p-1');

  expect(store.ownDevice()?.waiting).toBe(digits);
  expect(await client.run()).toMatchObject({
    state: 'needs-a-person',
    sentence: tell('waitsForDigits', { digits }),
    unsent: 1,
  });
  expect([unit.order, await client.settleWaiting()]).toEqual([[], false]);
  isWaiting = false;
  expect(await client.settleWaiting()).toBe(true);
  expect(store.ownDevice()).not.toHaveProperty('waiting');
  expect(await client.run()).toMatchObject({ state: 'resting', unsent: 0 });
  expect(await client.settleWaiting()).toBe(false);
});

test('[RQ7] a unit that asks for the digits anew makes the device wait again', async () => {
  // The planted bug it has caught: a device once let in that never showed its digits again.
  const signer = { ...signerOf('a'), publicKey: await makePublicKey() };
  const problem = { type: '/problems/device-waiting', detail: 'Waits.', status: 403 };
  const client = open(signer, (path) =>
    path === '/api/exchange/handshake' ? Response.json(problem, { status: 403 }) : null,
  );
  await client.join('GOOD', 'a');
  expect(store.ownDevice()).not.toHaveProperty('waiting');

  expect(await client.run()).toMatchObject({ state: 'refused' });

  expect(store.ownDevice()?.waiting).toMatch(/^[0-9]{6}$/);
});

test('[RQ8] a device that was revoked says so from then on, and still hands over what it holds', async () => {
  const client = open(signerOf('a'));
  await client.join('GOOD', 'a');
  save('puncture/p-1');

  client.noteRevoked('This device was revoked.');

  const said = { state: 'refused', sentence: 'This device was revoked.', unsent: 0 };
  expect(await client.run()).toMatchObject(said);
  expect(pushes()).toHaveLength(1);
  await client.join('GOOD', 'a');
  expect(await client.run()).toMatchObject({ state: 'resting' });
});
