/** Proves who presses what while a person gets a PIN on a tablet [SEC-11] [HAZ-25]. */
import { expect, test } from 'vitest';
import type { PersonHere, Voucher } from '../ports';
import { AddingPerson } from './adding-person.svelte';

const VOUCHER_PIN = '294618';
const OWN_PIN = '407182';
const named = (id: string, role = 'endoscopist') => ({
  staff: `staff/${id}`,
  name: id,
  role,
  triesLeft: 0,
  waitUntilMs: 0,
});
const WREN = named('wren');
const OTIS = named('otis', 'assistant');

/** A tablet on which these have a PIN; a code of the unit is that of `codeIsOf`. */
function tablet(first: readonly PersonHere[], codeIsOf = OTIS) {
  const people = [...first];
  const vouchers: Voucher[] = [];
  const here = {
    keys: { isOpen: people.length === 0, people: [...people] },
    readKeys: async () => {
      here.keys = { isOpen: people.length === 0, people: [...people] };
    },
  };
  const keys = {
    checkPin: async (_staff: string, pin: string) =>
      pin === VOUCHER_PIN
        ? ({ kind: 'right' } as const)
        : ({ kind: 'wrong', triesLeft: 9, waitUntilMs: 0 } as const),
    addPerson: async (person: { staff: string }, _pin: string, voucher: Voucher) => {
      vouchers.push(voucher);
      const added = voucher !== null && 'code' in voucher ? codeIsOf : person;
      people.push({ ...OTIS, ...added });
      return { kind: 'right' } as const;
    },
  };
  const adding = new AddingPerson(keys, here, OTIS);
  return { adding, vouchers };
}

/** Caught, as it stood: the pad of the one who vouched took the new person's PIN at once. */
test('after the PIN of the one who vouches, the new person takes the tablet before any pad', async () => {
  const { adding, vouchers } = tablet([WREN]);
  expect(adding.stage).toBe('who-vouches');
  adding.takeOver();
  expect(adding.stage).toBe('who-vouches');

  adding.chooseVoucher(WREN);
  expect(await adding.vouch('000000')).toMatchObject({ kind: 'wrong' });
  expect(adding.stage).toBe('voucher-pin');
  await adding.vouch(VOUCHER_PIN);

  expect(adding.stage).toBe('hand-over');
  adding.takeOver();
  expect(adding.stage).toBe('own-pin');
  expect(await adding.keep(OWN_PIN)).toEqual({ kind: 'right' });
  expect(adding.hasPin()).toBe(true);
  expect(vouchers).toEqual([{ by: 'staff/wren', pin: VOUCHER_PIN }]);
});

test('before the first PIN nobody vouches, and there is nobody to take the tablet from', async () => {
  const { adding, vouchers } = tablet([]);
  expect(adding.stage).toBe('own-pin');
  await adding.keep(OWN_PIN);
  expect(adding.hasPin()).toBe(true);
  expect(vouchers).toEqual([null]);
});

test('the new person does not vouch for themselves, and another may vouch after all', async () => {
  const { adding } = tablet([WREN, OTIS]);
  expect(adding.others).toEqual([WREN]);
  adding.chooseVoucher(WREN);
  adding.goBack();
  expect([adding.stage, adding.vouching]).toEqual(['who-vouches', null]);
});

/** Caught, as it stood: whoever typed a code of their own confirmed as the person on the screen. */
test('a code of another person gives this one no PIN, and says so', async () => {
  const { adding, vouchers } = tablet([WREN], named('lark'));
  adding.useCode('AB2C-D3EF-GH4J-K5MN');
  expect(adding.stage).toBe('own-pin');
  await adding.keep(OWN_PIN);

  expect(adding.hasPin()).toBe(false);

  expect([adding.stage, adding.isOtherAdded]).toEqual(['who-vouches', true]);
  adding.chooseVoucher(WREN);
  expect(adding.isOtherAdded).toBe(false);
  expect(vouchers).toEqual([{ code: 'AB2C-D3EF-GH4J-K5MN' }]);
});

test('a code of this person lets them on', async () => {
  const { adding } = tablet([WREN]);
  adding.useCode('AB2C-D3EF-GH4J-K5MN');
  await adding.keep(OWN_PIN);
  expect([adding.hasPin(), adding.isOtherAdded]).toEqual([true, false]);
});
