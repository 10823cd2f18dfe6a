import { expect, test } from 'vitest';
import type { ClinicExchange, UnitImplant } from '../clinic-questions';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import type { Draft, Json, RecordQuery, RecordState } from '../ports';
import { implants as words } from '../text/implants';
import { ImplantFinder } from './implant-finder.svelte';
import { SearchEntry } from './search-entry.svelte';

const RULES = packagedRuleBook('2026-11-25');
const RAW = '01095060001343521728063010VK4417\u001d21S9';

function coil(record: string, device: Json, isStruck = false): RecordState {
  const held = (value: Json) => ({
    values: [{ value, references: ['t.ep.1#x'], by: 'staff/s', stamp: '' }],
    isConflict: false,
  });
  return {
    record,
    fields: isStruck ? {} : { device: held(device), case: held('case/a') },
    struck: isStruck ? ['t.ep.1#x'] : [],
    isEnteredInError: isStruck,
    heads: [],
  } as unknown as RecordState;
}

type Asked = ClinicExchange['implants']['asks'];
type Told = ClinicExchange['implants']['told'];

/** A tablet that holds some coils, and a unit that answers, or does not. */
function tabletWith(coils: readonly RecordState[], told: Told | string) {
  const saved: Draft[] = [];
  const order: string[] = [];
  const asked: Asked[] = [];
  const store = {
    read: async ({ kind }: RecordQuery) => (kind === 'coil_placed' ? [...coils] : []),
    history: async () => [{ set: { device: { lot: 'VK4417' }, case: 'case/a' } }],
    exchangeNow: async () => order.push('exchange'),
    askClinic: async (_: string, asks: Asked) => {
      order.push('ask');
      asked.push(asks);
      return typeof told === 'string'
        ? { kind: 'not-told', sentence: told }
        : { kind: 'told', ...told };
    },
    onRecords: () => () => {},
  };
  const tablet = {
    standing: { joined: true },
    whoTaps: 'staff/s-1',
    save: async (drafts: Draft[]) => {
      saved.push(...drafts);
      order.push('save');
    },
  };
  const finder = new ImplantFinder({
    store,
    tablet,
    clock: { nowIso: () => '2026-03-20T09:00:00+01:00', today: () => '2026-03-20' },
    ids: { newId: () => 'i-1' },
    ruleBook: RULES,
  } as never);
  return { finder, saved, order, asked, tablet };
}
const settle = () => new Promise((resolve) => setTimeout(resolve));
const theirs = (record: string): UnitImplant => ({
  group: 'same',
  differs: [],
  record,
  item: 'coil',
  fate: '',
  identifier: '',
  lot: 'VK4417',
  serial: '',
  expires_on: '',
  on_day: '2026-03-16',
  site: '',
  recorded_on: 'Room 2',
  case: 'case/b',
  patient: 'patient/b',
  number: 'TH-b',
  name: 'Vareth',
  born_on: '',
  marks: [],
});
const unit = (...records: string[]): Told => ({
  found: { implants: records.map(theirs), found: records.length, unknown: 0, cautions: [] },
  letters: null,
});

test('[HAZ-46] each search is recorded before the unit is asked, with who, why and how many', async () => {
  const { finder, saved, order, asked } = tabletWith(
    [coil('coil_placed/a', { lot: 'vk-4417' }), coil('coil_placed/b', { lot_unknown: true })],
    'The unit cannot be reached.',
  );
  await settle();
  await finder.search({ lots: ['VK4417'], item: 'coil' }, 'Recall notice');

  expect(saved.map(({ record, set }) => ({ record, set }))).toEqual([
    {
      record: 'lot_search/i-1',
      set: {
        criteria: { lot: 'VK4417', item: 'coil' },
        found: 1,
        unknown: 0,
        because: 'Recall notice',
        at: '2026-03-20T09:00:00+01:00',
      },
    },
  ]);
  expect(order).toEqual(['save', 'exchange', 'ask']);
  expect(asked[0]).toMatchObject({ by: 'staff/s-1', because: 'Recall notice' });
  expect(finder.answer).toMatchObject({ from: 'tablet', found: 1 });
  expect(finder.unit).toEqual({ kind: 'not-told', sentence: 'The unit cannot be reached.' });
});

/** Caught: the record of a search did not say of which period its unknown lots were. */
test('[HAZ-46] the period of the unknown is kept with what was searched, and told to the unit', async () => {
  const { finder, saved, asked } = tabletWith([], unit());
  await settle();
  const period = { from_on: '2026-01-01', to_on: '2026-03-31' };
  await finder.search({ lots: ['VK4417'], ...period }, 'Recall notice');
  await finder.search({ lots: ['VK4417'], from_on: '2026-01-01' }, 'Recall notice');

  expect(saved.map(({ set }) => set?.criteria)).toEqual([
    { lot: 'VK4417', ...period },
    { lot: 'VK4417', from_on: '2026-01-01' },
  ]);
  expect(asked[0]?.search).toMatchObject(period);
  expect(finder.answer?.search).toEqual({ lots: ['VK4417'], from_on: '2026-01-01' });
});

/** Caught a planted bug: the answer of the unit put in the place of what only this tablet holds. */
test('[HAZ-46] what this tablet alone holds stands beside what the unit says', async () => {
  const { finder } = tabletWith([coil('coil_placed/a', { lot: 'VK4417' })], unit('coil_placed/z'));
  await settle();
  await finder.search({ lots: ['VK4417'] }, 'Recall notice');

  expect(finder.answer?.from).toBe('unit');
  expect(finder.answer?.rows.map(({ record }) => record)).toEqual([
    'coil_placed/z',
    'coil_placed/a',
  ]);
  expect(finder.answer?.found).toBe(2);
  expect(finder.csv().split('\r\n').length).toBe(4);
});

/** Caught, as it stood: the unit's row of before a correction hid the better one of the tablet. */
test('[HAZ-46] of one implant the better find counts, and nobody whom the unit names is lost', async () => {
  const told = unit('coil_placed/a', 'coil_placed/z');
  const [older, other] = told.found.implants;
  if (!older || !other) throw new Error('no rows');
  const rows = [{ ...older, group: 'unknown' as const, lot: '' }, other];
  const { finder } = tabletWith([coil('coil_placed/a', { lot: 'VK4417' })], {
    ...told,
    found: { ...told.found, implants: rows },
  });
  await settle();
  await finder.search({ lots: ['VK4417'] }, 'Recall notice');

  // This tablet does not hold the case: who it is stays as the unit says.
  const found = finder.answer?.rows.map((one) => [one.record, one.group, one.lot, one.patient]);
  expect(found).toEqual([
    ['coil_placed/a', 'same', 'VK4417', 'patient/b'],
    ['coil_placed/z', 'same', 'VK4417', 'patient/b'],
  ]);
});

/** Caught a planted bug: letters asked for counted as a second search of the record. */
test('[HAZ-46] asked again for letters it stays one search; the letters are told with who has none', async () => {
  const told = {
    ...unit('coil_placed/z'),
    letters: {
      letters: [
        { page: 1, withheld: '', is_draft: true },
        { page: 0, withheld: 'No address.', is_draft: false },
      ],
      csv: 'number\r\n',
      pdf: btoa('%PDF'),
    },
  };
  const { finder, saved, asked } = tabletWith([], told);
  await settle();
  await finder.search({ lots: ['VK4417'] }, 'Recall notice');
  await finder.askUnit('Recall notice', 'list');
  await finder.askUnit('Recall notice', 'letters');

  expect(saved.length).toBe(1);
  expect(asked.map((one) => [one.entry, one.with_letters, one.with_pdf])).toEqual([
    ['lot_search/i-1', false, false],
    ['lot_search/i-1', true, false],
    ['lot_search/i-1', true, true],
  ]);
  expect(finder.answer?.letters).toEqual({
    csv: 'number\r\n',
    pdf: new Uint8Array([37, 80, 68, 70]),
    printed: 1,
    withheld: 1,
    hasDraft: true,
  });
});

test('[HAZ-46] a struck coil is found by what it said; without a unit nobody is asked', async () => {
  const { finder, order, tablet } = tabletWith([coil('coil_placed/a', {}, true)], unit());
  tablet.standing.joined = false;
  await settle();
  await finder.search({ lots: ['VK4417'] }, 'Recall notice');

  expect(finder.answer?.rows[0]?.marks).toContain('struck');
  expect(order).toEqual(['save']);
  expect(finder.unit.kind).toBe('alone');
});

test('a search for nothing is refused in one sentence and recorded nowhere', async () => {
  const { finder, order } = tabletWith([], unit());
  await settle();
  await finder.search({ lots: ['--'] }, 'Recall notice');
  expect(finder.refusal).toContain('no letter or digit');
  expect(order).toEqual([]);
  finder.forget();
  expect(finder.refusal).toBe('');
});

test('a label that is scanned fills what it says, a second code the rest; no code stays a sentence', () => {
  const entry = new SearchEntry(() => ({ todayOn: '2026-03-20', ruleBook: RULES }));
  expect(entry.isBegun).toBe(false);
  entry.takeCodes(['torn']);
  expect(entry.problems.length).toBe(1);
  entry.takeCodes([RAW]);
  expect(entry.problems).toEqual([]);
  expect(entry.read()).toEqual({ lots: ['VK4417'], serial: 'S9', identifier: '09506000134352' });
  entry.takeCodes(['010950600013435210QQ1111']);
  expect(entry.texts).toMatchObject({ lot: 'QQ1111', serial: 'S9' });
});

test('[HAZ-46] lots typed in one field are each searched, and the whole as typed', () => {
  const entry = new SearchEntry(() => ({ todayOn: '2026-03-20', ruleBook: RULES }));
  const lotsOf = (typed: string) => {
    entry.enter('lot', typed);
    return entry.read().lots;
  };
  expect(lotsOf('VK4417, VK4499;\nQQ1 ; -')).toEqual([
    'VK4417, VK4499;\nQQ1 ; -',
    'VK4417',
    'VK4499',
    'QQ1',
  ]);
  expect(lotsOf(' VK 4417 ')).toEqual(['VK 4417']);
  expect(entry.otherLots).toEqual([]);
  expect(lotsOf('VK4417,')).toEqual(['VK4417']);
  // Caught: lots parted by blanks or slashes searched for as one, which found nobody.
  expect(lotsOf('LOT L-0755-A L-0417-F')).toEqual(['L-0755-A L-0417-F', 'L-0755-A', 'L-0417-F']);
  expect(entry.otherLots).toEqual(entry.read().lots);
});

test('dates of expiry are typed as months or days, the period counts back from today', () => {
  const entry = new SearchEntry(() => ({ todayOn: '2026-03-31', ruleBook: RULES }));
  entry.enter('expiresFrom', '2028-02');
  entry.enter('expiresTo', ' 2028-02 ');
  entry.item = 'needle';
  entry.period = 'quarter';
  expect(entry.read()).toEqual({
    lots: [''],
    serial: '',
    identifier: '',
    expires_from: '2028-02-01',
    expires_to: '2028-02-29',
    item: 'needle',
    from_on: '2025-12-31',
  });
  expect(entry.hasBadDate).toBe(false);
  entry.enter('expiresTo', '31.2.28');
  expect(entry.hasBadDate).toBe(true);
  entry.clear();
  expect(entry.read()).toEqual({ lots: [''], serial: '', identifier: '' });
});

/** Caught: an answer did not say of which period its unknown lots were. */
test('[LT8] an answer says of which period its unknown lots are, with either end open', () => {
  const [from_on, to_on] = ['2026-01-01', '2026-03-31'];
  const told = [{ from_on, to_on }, { from_on }, { to_on }, {}].map(words.ofPeriod);
  expect(told.map((one) => one.replace('Unknown lots ', ''))).toEqual([
    'are listed from 1 Jan 2026 until 31 Mar 2026, and where nobody knows the day.',
    'are listed from 1 Jan 2026 on, and where nobody knows the day.',
    'are listed until 31 Mar 2026, and where nobody knows the day.',
    'of all time are listed.',
  ]);
});

/** Caught: a notice that names its months could not be searched by them. */
test('[LT8] a period is typed as months or days, with either end open; a month counts whole', () => {
  const entry = new SearchEntry(() => ({ todayOn: '2026-03-31', ruleBook: RULES }));
  const periodOf = (from: string, to: string) => {
    entry.enter('periodFrom', from);
    entry.enter('periodTo', to);
    const { from_on, to_on } = entry.read();
    return [from_on, to_on, entry.periodFault];
  };
  // As long as another period is chosen, what was typed counts for nothing.
  expect(periodOf('soon', '2026-03')).toEqual([undefined, undefined, null]);
  entry.period = 'days';
  expect(periodOf('2026-01', ' 2026-02 ')).toEqual(['2026-01-01', '2026-02-28', null]);
  expect(periodOf('1999-12-05', '2024-02')).toEqual(['1999-12-05', '2024-02-29', null]);
  expect(periodOf('', '2026-02-03')).toEqual([undefined, '2026-02-03', null]);
  expect(periodOf('2026-03', '')).toEqual(['2026-03-01', undefined, null]);
  expect(periodOf('2026-03', '2026-03')).toEqual(['2026-03-01', '2026-03-31', null]);
  for (const wrong of ['soon', '2026-13', '2026-02-30', '2026', '3/2026', '31.3.26']) {
    expect(periodOf(wrong, '2026-03')[2]).toBe('no-date');
    expect(periodOf('2026-01', wrong)[2]).toBe('no-date');
  }
  expect(periodOf('2026-03', '2026-02')).toEqual(['2026-03-01', '2026-02-28', 'turned']);
  expect([entry.hasBadDate, entry.isBegun]).toEqual([false, false]);
  entry.clear();
  expect([entry.period, entry.periodFault, entry.texts.periodFrom]).toEqual(['all', null, '']);
});
