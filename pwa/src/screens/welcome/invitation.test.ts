import { expect, test } from 'vitest';
import { invitationOf, takeInvitation } from './invitation';

test('a join link carries its code; any other address carries none', () => {
  expect(invitationOf('#join=AB12-CD34')).toBe('AB12-CD34');
  expect(invitationOf('#join=AB%2012')).toBe('AB 12');
  expect(invitationOf('#/cases')).toBe('');
  expect(invitationOf('#join=')).toBe('');
  expect(invitationOf('#join=%E0%A4%A')).toBe('');
  expect(invitationOf(`#join=${'x'.repeat(201)}`)).toBe('');
});

test('the code is taken out of the address, other addresses stay untouched', () => {
  const replaced: string[] = [];
  const page = (hash: string) =>
    ({
      location: { hash, pathname: '/', search: '?a=1' },
      history: { replaceState: (_: unknown, __: string, url: string) => replaced.push(url) },
    }) as unknown as Pick<Window, 'location' | 'history'>;

  expect(takeInvitation(page('#join=AB12'))).toBe('AB12');
  expect(replaced).toEqual(['/?a=1']);
  expect(takeInvitation(page('#/clinic'))).toBe('');
  expect(replaced).toEqual(['/?a=1']);
});
