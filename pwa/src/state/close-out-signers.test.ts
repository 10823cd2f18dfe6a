/** Who is offered as the signer of a case, by role. */
import { expect, test } from 'vitest';
import access from '../../../api/access/access_table.json';
import type { RecordState } from '../ports';
import { maySign, roleOf, SIGNING_ROLES, signersOf } from './close-out-signers';

function person(id: string, fields: Record<string, string | boolean>): RecordState {
  const held = Object.entries(fields).map(([name, value]) => [
    name,
    { values: [{ value, references: [], by: '', stamp: '' }], isConflict: false },
  ]);
  return {
    record: `staff/${id}`,
    fields: Object.fromEntries(held),
    isEnteredInError: false,
  } as unknown as RecordState;
}

const STAFF = [
  person('e', { name: 'Dr Wren Quillfeather', role: 'endoscopist', active: true }),
  person('x', { name: 'Dr Ivo Larkspire', role: 'endoscopist', active: false }),
  person('a', { name: 'Juno Marrowby', role: 'assistant', active: true }),
  person('n', { name: 'Nobody told' }),
];

test('[SEC-22] the roles that sign are those of the row for people in the access table', () => {
  const rows = access.records.filter(
    ({ asker, verb, kinds }) =>
      asker.startsWith('person:') && verb === 'write' && 'sign_off' in Object(kinds),
  );
  expect(rows.map(({ asker }) => asker.replace('person:', ''))).toEqual(SIGNING_ROLES);
});

test('[SEC-22] who works now and may sign is offered', () => {
  expect(signersOf(STAFF).map(({ record }) => record)).toEqual(['staff/e']);
});

/** Caught: where no endoscopist was listed, an assistant was offered to sign as the one who taps. */
test('[SEC-22] whoever taps signs by a role that signs, or by a name that is only stated', () => {
  const mayTap = (id: string, told = '') => maySign(roleOf(STAFF, id, told));

  expect(mayTap('staff/a')).toBe(false);
  expect(mayTap('staff/e')).toBe(true);
  expect(mayTap('staff/n')).toBe(true);
  expect(mayTap('staff/unnamed')).toBe(true);
  // In an emergency the list is locked: the tablet still knows the role of who has a PIN here.
  expect(mayTap('staff/z', 'assistant')).toBe(false);
  expect(mayTap('staff/z', 'endoscopist')).toBe(true);
});
