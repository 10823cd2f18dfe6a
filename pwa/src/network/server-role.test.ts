import { expect, test } from 'vitest';
import { askServerRole } from './server-role';

const answering = (answer: () => Response | Promise<Response>) =>
  (async () => answer()) as unknown as typeof fetch;

test('a server says what it is; an older one, another one and none at all say nothing', async () => {
  const told = (body: string, status = 200) =>
    askServerRole(answering(() => new Response(body, { status })));

  expect(await told('{"role":"hub"}')).toBe('hub');
  expect(await told('{"role":"unit"}')).toBe('unit');
  expect(await told('{"build":"1"}')).toBeNull();
  expect(await told('{"role":"else"}')).toBeNull();
  expect(await told('{"role":"hub"}', 503)).toBeNull();
  expect(await told('<h1>Log in to the guest network</h1>')).toBeNull();
  expect(await askServerRole(answering(() => Promise.reject(new TypeError('away'))))).toBeNull();
});
