/** Requests are signed so that a server can check them; nonces are used once and asked for anew. */
import { createHash } from 'node:crypto';
import { beforeEach, expect, test } from 'vitest';
import { writeRequestBase } from '../sync/request-signing';
import { NoncePool } from './request-proof';
import { isSigned } from './server-signature';
import { NoAnswerError, RefusedError, UnitRequests } from './unit-requests';

/** A key as the browser makes it. */
async function makeSigner() {
  const pair = await crypto.subtle.generateKey({ name: 'ECDSA', namedCurve: 'P-256' }, false, [
    'sign',
    'verify',
  ]);
  const write = (content: ArrayBuffer) => btoa(String.fromCharCode(...new Uint8Array(content)));
  return {
    publicKey: write(await crypto.subtle.exportKey('spki', pair.publicKey)),
    sign: async (text: string) =>
      write(
        await crypto.subtle.sign(
          { name: 'ECDSA', hash: 'SHA-256' },
          pair.privateKey,
          new TextEncoder().encode(text),
        ),
      ),
  };
}

const signer = await makeSigner();

/** A unit that checks what it is sent as the server does, by its own reading of the headers. */
class CheckingUnit {
  good = new Set<string>();
  drawn = 0;
  asked: string[] = [];
  taken: string[] = [];
  knowsNonces = true;
  handsOut = 4;

  draw(): string {
    const nonce = `n-${++this.drawn}`;
    this.good.add(nonce);
    return nonce;
  }

  fetch = async (path: string, init: RequestInit): Promise<Response> => {
    this.asked.push(path);
    if (path === '/api/nonces') {
      if (!this.knowsNonces) return new Response('{}', { status: 404 });
      return Response.json({ nonces: Array.from({ length: this.handsOut }, () => this.draw()) });
    }
    const headers = init.headers as Record<string, string>;
    if (!this.knowsNonces) return Response.json({ signed: 'Signature' in headers });
    const problem = await this.#judge(path, init, headers);
    const answer = { headers: { 'Crura-Nonce': this.draw() } };
    if (problem !== '') {
      return Response.json({ type: problem, detail: 'No.' }, { ...answer, status: 401 });
    }
    this.taken.push(path);
    return Response.json({ ok: true }, answer);
  };

  async #judge(path: string, init: RequestInit, headers: Record<string, string>) {
    const found = /keyid="([^"]*)";nonce="([^"]*)"/.exec(headers['Signature-Input'] ?? '');
    if (found === null) return 'about:blank';
    const [, device = '', nonce = ''] = found;
    const body = init.body ? new Uint8Array(await new Response(init.body).arrayBuffer()) : '';
    const digest = `sha-256=:${createHash('sha256').update(body).digest('base64')}:`;
    const [way = '', query = ''] = path.split('?');
    const asked = { method: init.method ?? '', path: way, query, content_digest: digest };
    const text = writeRequestBase({ device, nonce }, asked);
    const signature = /^crura=:(.*):$/.exec(headers.Signature ?? '')?.[1] ?? '';
    if (!(await isSigned(signer.publicKey, text, signature))) return 'about:blank';
    return this.good.delete(nonce) ? '' : '/problems/nonce';
  }
}

let unit: CheckingUnit;
let requests: UnitRequests;

beforeEach(() => {
  unit = new CheckingUnit();
  requests = new UnitRequests(unit.fetch);
  requests.identify(() => ({ device: 'tablet-a', signer }));
});

test('[RQ1] [RQ2] each kind of request is signed over method, address and body as it travels', async () => {
  await requests.get('/api/exchange/pull?stream=care&after=0', 't');
  await requests.get('/api/conflicts', 't');
  await requests.post('/api/exchange/push', 't', { short: 'plain' });
  await requests.post('/api/exchange/push', 't', { long: 'x'.repeat(5_000) });
  await requests.putBytes('/api/pictures/ab?offset=0', 't', new Uint8Array([1, 2, 3]), stop());
  await requests.file('/api/exchange/snapshot/ab', 't');
  await requests.stream('/api/exchange/events', 't', stop());

  expect(unit.taken).toHaveLength(7);
});

const stop = () => new AbortController().signal;

test('[RQ4] nonces are asked for once at the start, then each answer brings the next', async () => {
  for (let number = 0; number < 20; number++) await requests.get('/api/conflicts', 't');

  expect(unit.asked.filter((path) => path === '/api/nonces')).toHaveLength(1);
});

test('[RQ4] many requests at once each have a nonce of their own, also where one comes at a time', async () => {
  unit.handsOut = 1;

  await Promise.all(Array.from({ length: 12 }, () => requests.get('/api/conflicts', 't')));

  expect(unit.taken).toHaveLength(12);
});

test('[RQ4] after a restart of the server a request is sent once more by itself', async () => {
  await requests.get('/api/conflicts', 't');
  unit.good.clear();

  await requests.post('/api/exchange/push', 't', { long: 'x'.repeat(5_000) });

  expect(unit.taken).toEqual(['/api/conflicts', '/api/exchange/push']);
  expect(unit.asked.filter((path) => path === '/api/exchange/push')).toHaveLength(2);
});

test('[RQ4] a nonce that is refused twice is told, and so is any other refusal at once', async () => {
  await requests.get('/api/conflicts', 't');
  unit.draw = () => 'never-good';
  unit.good.clear();
  await expect(requests.get('/api/conflicts', 't')).rejects.toBeInstanceOf(RefusedError);
  expect(unit.asked.filter((path) => path === '/api/conflicts')).toHaveLength(3);

  const stranger = await makeSigner();
  requests.identify(() => ({ device: 'tablet-a', signer: stranger }));
  unit.asked = [];
  await expect(requests.get('/api/conflicts', 't')).rejects.toMatchObject({
    status: 401,
    problem: { type: 'about:blank' },
  });
  expect(unit.asked.filter((path) => path === '/api/conflicts')).toHaveLength(1);
});

test('a unit of an older release, which knows no nonces, is asked without a signature', async () => {
  unit.knowsNonces = false;

  expect(await requests.get('/api/conflicts', 't')).toEqual({ signed: false });
});

test('who is nobody yet signs nothing, but may be named for one request', async () => {
  requests.identify(() => null);
  await expect(requests.get('/api/conflicts', 't')).rejects.toBeInstanceOf(RefusedError);
  expect(unit.asked).toEqual(['/api/conflicts']);

  await requests.post('/api/devices', null, { code: 'GOOD' }, { device: 'tablet-a', signer });
  expect(unit.taken).toEqual(['/api/devices']);
});

test('a unit that answers nonces with an error of its own is no answer', async () => {
  const failing = new UnitRequests(async () => new Response('', { status: 503 }));
  failing.identify(() => ({ device: 'tablet-a', signer }));

  await expect(failing.get('/api/conflicts', 't')).rejects.toBeInstanceOf(NoAnswerError);
});

test('a pool keeps no more nonces than requests are ever on their way', async () => {
  const pool = new NoncePool();
  for (let number = 0; number < 40; number++) pool.keep(`n-${number}`);
  let taken = 0;
  while ((await pool.take(async () => null)) !== null) taken++;

  expect(taken).toBe(16);
});
