import { expect, test } from 'vitest';
import { makeSearch, type Search } from '../clinical-rules/implant-search';
import { readLookAlikes, readTraceFile } from '../clinical-rules/lot-names';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import type { Json, RecordState } from '../ports';
import { labelLine, whatWords } from '../text/implants';
import { writeCsv } from './csv-text';
import {
  byCase,
  countPatients,
  fillFinds,
  findImplants,
  joinFinds,
  listImplants,
  readImplants,
} from './implant-list';
import { type FoundImplant, type HeldRecords, sayBefore } from './implant-owners';

const LOOK_ALIKES = readLookAlikes(readTraceFile(packagedRuleBook('2026-11-25')));
const LOT = { lot: 'VK4417' };

/** A record with one value a field, several where a list is given under `several`. */
function recorded(
  record: string,
  fields: Record<string, Json>,
  several: Record<string, Json[]> = {},
): RecordState {
  const held = (value: Json, place: number) => ({
    value,
    references: [`t.ep.${place}#x`],
    by: 'staff/s',
    stamp: `001790000000000-0000${place}-tablet-s`,
  });
  const all = { ...Object.fromEntries(Object.entries(fields).map(([name, one]) => [name, [one]])) };
  return {
    record,
    fields: Object.fromEntries(
      Object.entries({ ...all, ...several }).map(([name, values]) => [
        name,
        { values: values.map(held), isConflict: values.length > 1 },
      ]),
    ),
    struck: [],
    isEnteredInError: false,
    heads: [],
    waiting: [],
    newer: 0,
  } as unknown as RecordState;
}
const struck = (record: string) =>
  ({ ...recorded(record, {}), isEnteredInError: true, struck: ['t.ep.1#x'] }) as RecordState;

const person = (name: string, more: Record<string, Json> = {}): RecordState[] => [
  recorded(`case/${name}`, { patient: `patient/${name}` }),
  recorded(`patient/${name}`, { family_name: `Vareth-${name}`, local_id: `TH-${name}`, ...more }),
];

function holding(states: readonly RecordState[], before: HeldRecords['before'] = new Map()) {
  const of = (...kinds: string[]) =>
    states.filter(({ record }) => kinds.includes(record.split('/')[0] ?? ''));
  return {
    implants: of('coil_placed', 'adhesive_injected', 'package_opened'),
    cases: of('case'),
    patients: of('patient'),
    visits: of('visit'),
    sites: of('site'),
    before,
  };
}

function find(records: HeldRecords, search: Search) {
  return findImplants(readImplants(records), records, makeSearch(search), LOOK_ALIKES);
}

test('[LT1] [LT2] [LT3] [LT8] finds stand in their groups, the unknown apart, the latest first', () => {
  const lots = { a: 'vk-4417', b: 'VK44I7', c: 'VK447', d: 'QQ1111', e: '', f: 'VK4417' };
  const states = Object.entries(lots).flatMap(([name, lot], day) => [
    ...person(name),
    recorded(`coil_placed/${name}`, {
      case: `case/${name}`,
      device: lot === '' ? { lot_unknown: true } : { lot },
      at: `2026-03-1${day}T10:00:00Z`,
    }),
  ]);

  const rows = find(holding(states), { lots: ['VK 4417'] });

  expect(rows.map(({ record, group }) => [record, group])).toEqual([
    ['coil_placed/f', 'same'],
    ['coil_placed/a', 'same'],
    ['coil_placed/b', 'alike'],
    ['coil_placed/c', 'near'],
    ['coil_placed/e', 'unknown'],
  ]);
  expect(countPatients(rows)).toEqual({ found: 4, unknown: 1 });
  expect(rows[0]).toMatchObject({ name: 'Vareth-f', number: 'TH-f', lot: 'VK4417', marks: [] });
});

/** Caught: a coil of a past case, which has the day of the case alone, lay in every period. */
test('[HAZ-46] [LT8] an implant without a day has that of its case, as at the unit', () => {
  const days = { in: '2026-03-10', out: '2026-03-21', none: '2026-02-30' };
  const of = (name: string, on: string) =>
    recorded(`case/${name}`, { patient: `patient/${name}`, procedure_on: on });
  const coil = (id: string, fields: Record<string, Json>, several: Record<string, Json[]> = {}) =>
    recorded(`coil_placed/${id}`, { device: {}, ...fields }, several);
  const states = [
    ...Object.entries(days).map(([name, on]) => of(name, on)),
    ...Object.keys(days).map((name) => coil(`${name}-1`, { case: `case/${name}` })),
    recorded('case/two', {}, { procedure_on: ['2024-01-01', '2024-01-02'] }),
    coil('two-1', { case: 'case/two' }),
    struck('case/struck'),
    coil('struck-1', { case: 'case/struck' }),
    // Its own days go before that of its case, also where they are two.
    coil('in-2', { case: 'case/in', at: '2026-03-21T10:00:00Z' }),
    coil('out-2', { case: 'case/out', at: '2026-03-10T10:00:00Z' }),
    coil('out-3', { case: 'case/out' }, { at: ['2026-03-10T10:00:00Z', '2026-04-10T10:00:00Z'] }),
    coil('soon', { case: 'case/out', at: 'soon' }),
    // Of two cases the day of either counts.
    coil('both', {}, { case: ['case/out', 'case/in'] }),
    coil('gone', { case: 'case/gone' }),
    coil('alone', {}),
    recorded('coil_placed/old', { case: 'case/out', device: LOT }),
  ];
  const before = new Map([['case/struck', { procedure_on: ['2024-01-01'] }]]);
  const listed = (search: Search) => [
    ...new Set(find(holding(states, before), search).map(({ record }) => record.split('/')[1])),
  ];
  const undoubted = [
    'none-1',
    'two-1',
    'struck-1',
    'out-3',
    'soon',
    'both',
    'gone',
    'alone',
    'old',
  ];
  const period = { from_on: '2026-03-10', to_on: '2026-03-20' };

  expect(listed({ lots: ['VK4417'], ...period }).sort()).toEqual(
    [...undoubted, 'in-1', 'out-2'].sort(),
  );
  expect(listed({ lots: ['VK4417'], from_on: '2026-03-21' }).sort()).toEqual(
    [...undoubted, 'in-2', 'out-1'].sort(),
  );
});

/** Caught a planted bug: the last of two answers alone. */
test('[HAZ-46] [LT7] two answers about one label are both found, and said', () => {
  const coil = recorded('coil_placed/a', { case: 'case/a' }, { device: [LOT, { lot: 'QQ1111' }] });
  const records = holding([...person('a'), coil]);
  for (const lot of ['VK4417', 'QQ1111']) {
    expect(find(records, { lots: [lot] })).toMatchObject([
      { group: 'same', lot, marks: ['two-lots'] },
    ]);
  }
});

/** Caught a planted bug: struck records passed over. */
test('[HAZ-46] what was struck is found by what it said before, and says so', () => {
  const before = new Map([
    ['coil_placed/a', sayBefore([{ set: { case: 'case/a', device: LOT } }] as never)],
    ['case/a', { patient: ['patient/a'] }],
    ['patient/a', { family_name: ['Vareth'] }],
  ]);
  const records = holding([struck('coil_placed/a'), struck('case/a'), struck('patient/a')], before);
  expect(find(records, { lots: ['VK4417'] })).toMatchObject([
    { name: 'Vareth', marks: ['struck', 'case-struck', 'patient-struck'] },
  ]);
});

test('[HAZ-46] nobody is left out for want of a case or a patient, and each of two is told', () => {
  const states = [
    ...person('b'),
    recorded('case/a', {}, { patient: ['patient/b', 'patient/x'] }),
    recorded('coil_placed/1', { case: 'case/a', device: LOT }),
    recorded('coil_placed/2', { case: 'case/gone', device: LOT }),
    recorded('coil_placed/3', { device: LOT }),
    recorded('visit/v', { patient: 'patient/b', ended_because: 'died' }),
  ];
  const rows = find(holding(states), { lots: ['VK4417'] });
  const told = rows.map(({ record, patient, marks }) => [record.slice(-1), patient, marks]);
  expect(told.length).toBe(4);
  expect(told).toEqual(
    expect.arrayContaining([
      ['3', '', ['no-case']],
      ['2', '', ['case-not-here']],
      ['1', 'patient/x', ['two-patients', 'patient-not-here']],
      ['1', 'patient/b', ['two-patients', 'died']],
    ]),
  );
  expect(countPatients(rows).found).toBe(4);
});

/** Caught a planted bug: every package that a coil names left out. */
test('[HAZ-46] a package is not told beside the coil out of it, unless it fits better', () => {
  const coil = (lot: string) => [
    ...person('a'),
    recorded('package_opened/p', { case: 'case/a', item: 'coil', device: LOT, fate: 'placed' }),
    recorded('coil_placed/c', { case: 'case/a', device: { lot }, package: 'package_opened/p' }),
    recorded('package_opened/q', { case: 'case/a', item: 'coil', device: LOT, fate: 'returned' }),
  ];
  const told = (lot: string) =>
    find(holding(coil(lot)), { lots: ['VK4417'] }).map(({ record, group }) => [record, group]);
  expect(told('VK4417')).toEqual([
    ['coil_placed/c', 'same'],
    ['package_opened/q', 'same'],
  ]);
  expect(told('VK4471')).toEqual([
    ['package_opened/p', 'same'],
    ['package_opened/q', 'same'],
    ['coil_placed/c', 'near'],
  ]);
});

test('[HAZ-46] a package of another case than the coil that names it is told too', () => {
  const states = [
    ...person('h'),
    ...person('i'),
    recorded('package_opened/p', { case: 'case/i', item: 'coil', device: LOT, fate: 'placed' }),
    recorded('coil_placed/c', { case: 'case/h', device: LOT, package: 'package_opened/p' }),
  ];
  const rows = find(holding(states), { lots: ['VK4417'] });
  expect(rows.map(({ record, patient }) => [record, patient])).toEqual([
    ['coil_placed/c', 'patient/h'],
    ['package_opened/p', 'patient/i'],
  ]);
});

/** Caught: a recall by identifier found nobody whose lot was pressed from the shelf. */
test('[HAZ-46] [LT16] what was pressed from the shelf is found by the identifier of its item', () => {
  const states = ['a', 'b', 'c', 'd', 'e'].flatMap((name) => person(name));
  const coil = (name: string, stock: string, device: Json) =>
    recorded(`coil_placed/${name}`, { case: `case/${name}`, device, coil: { stock_id: stock } });
  const needle = { case: 'case/e', item: 'needle', device: { lot: 'N1' } };
  const items = [
    recorded('stock_item/7', { item: 'coil', identifiers: ['9506000134352'] }),
    recorded('stock_item/8', { item: 'coil', identifiers: ['H123OTHER'] }),
    recorded('stock_item/9', { item: 'coil' }),
  ];
  const records = holding([
    ...states,
    coil('a', 'stock_item/7', { lot: 'VK1' }),
    coil('b', 'stock_item/8', { lot: 'VK2' }),
    coil('c', 'stock_item/9', { lot: 'VK3' }),
    coil('d', 'stock_item/8', { lot: 'VK4', identifier: '09506000134352' }),
    recorded('package_opened/e', needle),
  ]);
  const search = makeSearch({ identifier: '09506000134352' });
  const found = findImplants(readImplants(records), records, search, LOOK_ALIKES, items);
  expect(found.map(({ record, group }) => [record.slice(-1), group])).toEqual([
    ['d', 'same'],
    ['a', 'shelf'],
    ['c', 'unknown'],
  ]);
});

test('[HAZ-46] [LT11] a search by one identifier finds what the item is labelled by besides', () => {
  const devices = {
    a: { lot: 'HX1', identifier: 'H123ABC0' },
    b: { lot: 'HX1', identifier: 'H123OTHER' },
    c: { lot: 'HX1', identifier: '09506000134352' },
    d: { lot: 'HX1' },
  };
  const states = Object.entries(devices).flatMap(([name, device]) => [
    ...person(name),
    recorded(`coil_placed/${name}`, { case: `case/${name}`, device }),
  ]);
  const items = [
    recorded('stock_item/s', { identifiers: ['9506000134352', 'H123ABC0'] }),
    recorded('stock_item/t', { identifiers: ['H123OTHER'] }),
  ];
  const records = holding(states);
  const groups = (search: Search) =>
    findImplants(readImplants(records), records, makeSearch(search), LOOK_ALIKES, items).map(
      ({ record, group }) => [record.slice(-1), group],
    );
  expect(groups({ identifier: '09506000134352' })).toEqual([
    ['a', 'same'],
    ['c', 'same'],
    ['d', 'unknown'],
  ]);
  expect(groups({ lots: ['HX1'], identifier: '09506000134352' })).toEqual([
    ['a', 'same'],
    ['c', 'same'],
    ['d', 'same'],
    ['b', 'near'],
  ]);
});

test('[HAZ-46] the better of two finds of one implant stands, by whom each names', () => {
  const states = [...person('a'), recorded('coil_placed/c', { case: 'case/a', device: LOT })];
  const [own] = find(holding(states), { lots: ['VK4417'] });
  if (own === undefined) throw new Error('not found');
  const older = { ...own, group: 'unknown' as const, lot: '' };
  const elsewhere = { ...older, patient: 'patient/x' };

  expect(joinFinds([older, elsewhere], [own])).toEqual([elsewhere, own]);
  expect(joinFinds([own], [older])).toEqual([own]);
  expect(joinFinds([], [own])).toEqual([own]);
});

test('finds stand by patient and case, and none is lost', () => {
  const states = [
    ...person('a'),
    ...person('b'),
    ...['a', 'b', 'a', ''].map((name, place) =>
      recorded(`coil_placed/${place}`, {
        ...(name === '' ? {} : { case: `case/${name}` }),
        device: LOT,
        at: `2026-03-1${place}T10:00:00Z`,
      }),
    ),
    recorded('coil_placed/4', { device: LOT, at: '2026-03-01T10:00:00Z' }),
  ];
  const cases = byCase(find(holding(states), { lots: ['VK4417'] }));
  expect(
    cases.map(({ who, finds }) => [who.case, finds.map(({ record }) => record.slice(-1))]),
  ).toEqual([
    ['', ['3']],
    ['case/a', ['2', '0']],
    ['case/b', ['1']],
    ['', ['4']],
  ]);
});

test('a package that went back to the shelf counts for nobody', () => {
  const back = recorded('package_opened/q', { case: 'case/a', device: LOT, fate: 'returned' });
  const rows = find(holding([...person('a'), back]), { lots: ['VK4417'] });
  expect([rows.length, countPatients(rows).found]).toEqual([1, 0]);
});

test('[LT6] an item and a label as scanned are read here as at the unit', () => {
  const raw = '01095060001343521728063010VK4417\u001d21S9';
  const states = [
    ...person('a'),
    recorded('adhesive_injected/g', { case: 'case/a', device: { raw_label: raw } }),
    recorded('package_opened/n', { case: 'case/a', item: 'needle', device: { raw_label: raw } }),
  ];
  const records = holding(states);
  const found = (search: Search) => find(records, search).map(({ item }) => item);
  expect(found({ serial: 's-9', item: 'needle' })).toEqual(['needle']);
  expect(found({ identifier: '9506000134352', item: 'adhesive' })).toEqual(['adhesive']);
  expect(found({ expires_to: '2028-06-29' })).toEqual([]);
  expect(found({ expires_to: '2028-06-30' }).sort()).toEqual(['adhesive', 'needle']);
});

test('the list of a patient has every implant with its label, also without a lot', () => {
  const states = [
    ...person('a'),
    recorded('coil_placed/1', { case: 'case/a', device: LOT, at: '2026-03-16T10:00:00Z' }),
    recorded('coil_placed/2', { case: 'case/a', device: {}, at: '2026-03-17T10:00:00Z' }),
  ];
  expect(listImplants(holding(states)).map(({ lot, on }) => [lot, on])).toEqual([
    ['', '2026-03-17'],
    ['VK4417', '2026-03-16'],
  ]);
});

test('[HAZ-46] of a thousand cases each is searched', () => {
  const states = Array.from({ length: 1_000 }, (_, number) => [
    ...person(String(number)),
    ...Array.from({ length: 6 }, (_, place) =>
      recorded(`coil_placed/${number}-${place}`, {
        case: `case/${number}`,
        device: { lot: `VK${(number * 6 + place) % 2_000}`, raw_label: 'torn' },
      }),
    ),
  ]).flat();
  const records = holding(states);
  expect(find(records, { lots: ['vk 700'] }).filter(({ group }) => group === 'same').length).toBe(
    3,
  );
});

test('[HAZ-46] the list goes on as CSV, and a name that a spreadsheet would run stays a name', () => {
  expect(
    writeCsv(
      ['name', 'lot'],
      [
        ['=A1', 'say "x"'],
        ['+44', '-'],
      ],
    ),
  ).toBe('"name","lot"\r\n"\'=A1","say ""x"""\r\n"\'+44","\'-"\r\n');
});

/** Caught, as it stood: each was "Coil placed", and a lot that nobody entered "lot unknown". */
test('[HAZ-46] a coil is told with its size, and a lot not entered is another than one unknown', () => {
  const coil = (id: string, more: Record<string, Json>, several: Record<string, Json[]> = {}) =>
    recorded(`coil_placed/${id}`, { case: 'case/a', at: `2026-03-1${id}T09:00`, ...more }, several);
  const records = holding([
    ...person('a'),
    coil('4', { coil: { loop_um: 14_000 }, device: LOT }),
    coil('3', { device: { lot_unknown: true } }),
    coil('2', { coil: {} }),
    coil('1', {}, { coil: [{ loop_um: 14_000 }, { loop_um: 10_000 }] }),
  ]);
  const own = listImplants(records);
  const told = (rows: readonly FoundImplant[]) =>
    rows.map((one) => `${one.record.slice(-1)} ${whatWords(one)}; ${labelLine(one)}`).sort();
  const said = [
    '1 Coil placed, size unknown; lot not entered',
    '2 Coil placed, size unknown; lot not entered',
    '3 Coil placed, size unknown; lot unknown',
    '4 Coil placed, 14 mm loop; lot VK4417',
  ];
  expect(told(own)).toEqual(said);

  const theirs = own.map(({ loopUm: _, isLotMissing: __, ...one }) => ({ ...one, stock: '' }));
  expect(told(fillFinds(theirs, own, []))).toEqual(said);
  // Of what the unit alone holds the size is that of the stock item, and nothing where none is named.
  const item = recorded('stock_item/s', { coil: { loop_um: 12_000 } });
  const alone = theirs.map((one, place) => ({ ...one, stock: place === 0 ? 'stock_item/s' : '' }));
  expect(told(fillFinds(alone, [], [item])).filter((one) => one.includes('mm'))).toHaveLength(1);
  expect(told(fillFinds(theirs, [], [item]))[3]).toBe('4 Coil placed; lot VK4417');
});
