/** Which lots a step offers: what came and is still there, nearest use-by date first, none hidden. */
import { expect, test } from 'vitest';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import type { KnownPackages } from './label-facts';
import { type LotOffer, lotsOffered, splitOffers } from './lots-offered';
import { stockOf } from './procedure-plan';
import type { Json, RecordState } from './shown';

const TODAY = '2026-03-16';
const BOOK = packagedRuleBook(TODAY);

function record(name: string, set: Record<string, Json>, more: Partial<RecordState> = {}) {
  const fields = Object.fromEntries(
    Object.entries(set).map(([field, value]) => [
      field,
      { values: [{ value, references: [] }], isConflict: false },
    ]),
  );
  return { record: name, fields, isEnteredInError: false, ...more } as unknown as RecordState;
}

const item = (lots: Json[] = []) =>
  record('stock_item/s14', { item: 'coil', name: 'Coil 14 mm', lots });
const came = (lot: string, expires_on = '', more: Record<string, Json> = {}, change = 1) =>
  record(`stock_movement/${lot}`, {
    stock: 'stock_item/s14',
    device: { lot, ...(expires_on === '' ? {} : { expires_on }), ...more },
    reason: 'delivered',
    change,
  });
const opened = (lot: string, fate = 'placed') =>
  record(`package_opened/${lot}`, { stock_id: 'stock_item/s14', device: { lot }, fate });

function offers(known: Partial<KnownPackages>, laidOut: RecordState[] = []): LotOffer[] {
  const items = known.items ?? [item()];
  const [stock] = stockOf(items, 'coil');
  if (stock === undefined) throw new Error('no coil');
  const held = {
    packages: [],
    movements: [],
    recalls: [],
    lookAlikes: new Map(),
    ...known,
    items,
  };
  return lotsOffered(stock, { known: held, laidOut, todayOn: TODAY }, BOOK);
}
const said = (found: readonly LotOffer[]) =>
  found.map(({ lot, bar }) => `${lot.lot} ${lot.expiresOn} ${bar}`.trim());

/** Caught, as it stood: the buttons knew the typed list of the item alone, in the order typed. */
test('lots that were delivered and are still there are offered, the nearest use-by date first', () => {
  const items = [item([{ lot: 'LATE', expires_on: '2029-01-31' }, 'BARE'])];
  const movements = [
    came('NEW-1', '2027-11-30', { identifier: '09521234543213' }),
    came('new 1', '2027-10-31'),
    came('SOON', '2026-03-16'),
    came('GONE', '2026-09-30'),
    { ...came('STRUCK', '2026-08-31'), isEnteredInError: true },
    record('stock_movement/other', {
      stock: 'stock_item/s10',
      device: { lot: 'OTHER' },
      reason: 'delivered',
      change: 2,
    }),
  ];
  const found = offers({ items, movements, packages: [opened('GONE')] });

  expect(said(found)).toEqual(['SOON 2026-03-16', 'NEW-1 2027-10-31', 'LATE 2029-01-31', 'BARE']);
  expect(found[1]?.lot.identifier).toBe('09521234543213');
});

test('of a lot with two identifiers none is taken over', () => {
  const movements = [
    came('L-1', '', { identifier: '09521234543213' }),
    came('L-1', '', { identifier: '00614141123452' }),
  ];

  expect(offers({ movements })[0]?.lot.identifier).toBe('');
});

/** Caught a planted bug: the shelf alone, which counts a package that was laid out as gone. */
test('what lies on the table is offered first, though the shelf has none of it left', () => {
  const movements = [came('TABLE', '2028-01-31'), came('SHELF', '2026-12-31')];
  const onTable = opened('TABLE', 'open');

  expect(said(offers({ movements, packages: [onTable] }, [onTable]))).toEqual([
    'TABLE 2028-01-31',
    'SHELF 2026-12-31',
  ]);
});

/** Caught, as it stood: an expired lot was a button like any other, and so was a recalled one. */
test('[SOFT-12] [SOFT-13] a lot that is expired, recalled or used up stands behind the others', () => {
  const items = [item([{ lot: 'OLD', expires_on: '2026-03-15' }, 'USED'])];
  const movements = [
    came('PAST', '2026-01-31'),
    came('BACK', '2026-04-30'),
    came('GOOD', '2027-04-30'),
    came('USED', '2027-01-31'),
  ];
  const recalls = [
    record('recall_notice/r1', {
      item: 'coil',
      criteria: { lots: ['B4CK', 'BACK'] },
      reason: 'seal may leak',
      state: 'in-force',
    }),
  ];
  const found = offers({ items, movements, recalls, packages: [opened('USED')] });

  expect(said(found)).toEqual([
    'GOOD 2027-04-30',
    'PAST 2026-01-31 expired',
    'OLD 2026-03-15 expired',
    'BACK 2026-04-30 recalled',
    'USED 2027-01-31 none-left',
  ]);
  const { atOnce, behind } = splitOffers(found, undefined);
  expect([said(atOnce), said(behind)]).toEqual([said(found.slice(0, 1)), said(found.slice(1))]);
});

/** Caught, as it stood: the fifth lot of a list could not be pressed at all. */
test('every lot is drawn at once or behind one more press, whatever was chosen', () => {
  const movements = Array.from({ length: 7 }, (_, place) =>
    came(`L-${place}`, place === 6 ? '2026-01-31' : `2027-0${place + 1}-28`),
  );
  const found = offers({ movements });
  const lots = (some: readonly LotOffer[]) => some.map(({ lot }) => lot.lot);
  const chosen = [undefined, null, ...found.map(({ lot }) => lot)];

  for (const one of chosen) {
    const { atOnce, behind } = splitOffers(found, one);
    expect(lots([...atOnce, ...behind]).sort()).toEqual(lots(found).sort());
    expect(atOnce).toHaveLength(4);
    if (one) expect(lots(atOnce)).toContain(one.lot);
    expect(atOnce.filter(({ lot, bar }) => bar !== '' && lot.lot !== one?.lot)).toEqual([]);
  }
  // One that was scanned keeps what its label tells, and stands in the place of its button.
  const scanned = { lot: 'L2', identifier: '', expiresOn: '', serial: 'SN1' };
  expect(splitOffers(found, scanned).atOnce[2]?.lot).toBe(scanned);
  const strange = { lot: 'X-1', identifier: '', expiresOn: '' };
  expect(lots(splitOffers(found, strange).atOnce)).toEqual(['X-1', 'L-0', 'L-1', 'L-2']);
  expect(splitOffers(found, strange).behind).toHaveLength(4);
});
