import { expect, test } from 'vitest';
import { readTold } from '../told';
import { deskRequests } from './desk-requests';

/** A page whose `fetch` answers so; notes what was sent. */
function page(answer: () => Response | Promise<Response>) {
  const sent: [string, RequestInit][] = [];
  const desk = deskRequests((async (path: string, init: RequestInit) => {
    sent.push([path, init]);
    return answer();
  }) as typeof fetch);
  return { sent, desk };
}
const problem = (status: number, detail: string) =>
  new Response(JSON.stringify({ detail }), { status });

test('what changes something goes as JSON to this origin alone', async () => {
  const { sent, desk } = page(() => new Response('{"devices":[]}'));

  await desk.ask('confirm', { device: 'a', fingerprint: '123456' });
  const told = await desk.ask('devices', null);

  const [path, init] = sent[0] ?? ['', {}];
  expect([path, init.method, init.body]).toEqual([
    '/api/confirmations',
    'POST',
    '{"device":"a","fingerprint":"123456"}',
  ]);
  expect(init.headers).toEqual({ 'Content-Type': 'application/json' });
  expect(sent.every(([, each]) => each.credentials === 'same-origin')).toBe(true);
  expect(told).toEqual({ kind: 'told', answer: { devices: [] } });
});

test('a question that reads says what narrows it, and leaves out what is empty', async () => {
  const { sent, desk } = page(() => new Response('{}'));
  const asks = { patient: 'patient/a b', person: '', device: '', from_on: '2026-11-01', to_on: '' };
  await desk.ask('trail', asks);

  expect(sent[0]?.[0]).toBe('/api/access-events?patient=patient%2Fa+b&from_on=2026-11-01');
});

test('no content is an answer; a refusal keeps the sentence; no session is told apart', async () => {
  const out = page(() => new Response(null, { status: 204 }));
  expect(await out.desk.ask('log-out', null)).toEqual({ kind: 'told', answer: null });

  const refused = page(() => problem(403, 'People are kept by the unit admin.'));
  expect(await refused.desk.ask('people', null)).toEqual({
    kind: 'not-told',
    sentence: 'People are kept by the unit admin.',
  });
  const over = page(() => problem(401, 'Log in.'));
  expect(await over.desk.ask('people', null)).toEqual({ kind: 'logged-out', sentence: 'Log in.' });
});

test('a server that is away, and something else that answers in its place', async () => {
  const away = page(() => Promise.reject(new TypeError('Failed to fetch')));
  const other = page(() => new Response('<h1>Bad gateway</h1>', { status: 502 }));
  const told = [await away.desk.ask('who', null), await other.desk.ask('who', null)];

  expect(told.map((one) => one.kind)).toEqual(['not-told', 'not-told']);
  expect(told.map((one) => ('sentence' in one ? readTold(one.sentence)?.code : ''))).toEqual([
    'unreachable',
    'unitFailed',
  ]);
});
