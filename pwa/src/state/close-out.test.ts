import { expect, test } from 'vitest';
import { closeOut } from '../text/close-out';
import {
  changedSince,
  closeOutFacts,
  countsOf,
  digestOf,
  flowRecorded,
  hasFollowUp,
  lastSignature,
  lotsLeftOut,
  openPoints,
} from './close-out';
import type { Json, RecordState } from './shown';

function recorded(
  record: string,
  set: Record<string, Json>,
  reference = `ref ${record}`,
): RecordState {
  return {
    record,
    fields: Object.fromEntries(
      Object.entries(set).map(([field, value]) => [
        field,
        { values: [{ value, references: [reference], by: '', stamp: '1' }], isConflict: false },
      ]),
    ),
    struck: [],
    isEnteredInError: false,
    heads: [reference],
  };
}
const struck = (record: string): RecordState => ({
  ...recorded(record, {}),
  isEnteredInError: true,
  heads: [],
});
const opened = (id: string, fate: string, item = 'coil') =>
  recorded(`package_opened/${id}`, { item, fate });
const placed = (id: string, from: string) =>
  recorded(`coil_placed/${id}`, { package: `package_opened/${from}` });

test('[HARD-08] opened = placed + discarded agrees', () => {
  const [coils] = countsOf(
    [opened('1', 'placed'), opened('2', 'discarded'), opened('3', 'placed')],
    [placed('1', '1'), placed('2', '3')],
  );

  expect(coils).toMatchObject({ opened: 3, placed: 2, discarded: 1, open: [], agrees: true });
});

test('[HARD-08] an open package, a coil without one, or both ends at once do not agree', () => {
  const agree = (packages: RecordState[], coils: RecordState[]) =>
    countsOf(packages, coils)[0]?.agrees;

  expect(agree([opened('1', 'open')], [])).toBe(false);
  expect(agree([], [placed('1', '9')])).toBe(false);
  expect(agree([opened('1', 'discarded')], [placed('1', '1')])).toBe(false);
  // One package open, one coil without a package: the sums alone would agree.
  expect(agree([opened('1', 'open')], [placed('1', '9')])).toBe(false);
});

test('[HARD-08] what does not agree never reaches the gates as two equal numbers', () => {
  const facts = (packages: RecordState[], coils: RecordState[]) =>
    closeOutFacts(countsOf(packages, coils), true).counts?.[0];
  const coil = (open: number, recorded: number) => ({ item: 'coil', opened: open, recorded });

  expect(facts([opened('1', 'placed')], [placed('1', '1')])).toEqual(coil(1, 1));
  expect(facts([opened('1', 'open')], [])).toEqual(coil(1, 0));
  expect(facts([opened('1', 'discarded')], [placed('1', '1')])).toEqual(coil(1, 2));
  // One package open, one coil without a package: the sums alone would agree.
  expect(facts([opened('1', 'open')], [placed('1', '9')])).toEqual(coil(1, 0));
  expect(
    facts([opened('1', 'placed'), opened('2', 'open')], [placed('1', '1'), placed('2', '9')]),
  ).toEqual(coil(2, 1));
});

test('[HARD-08] needles and adhesive are used or discarded', () => {
  const counts = countsOf([opened('1', 'used', 'needle'), opened('2', 'open', 'adhesive')], []);

  expect(counts[1]).toMatchObject({ item: 'needle', used: 1, agrees: true });
  expect(counts[2]).toMatchObject({ item: 'adhesive', agrees: false });
  expect(counts[2]?.open).toHaveLength(1);
});

/** Caught: the whole screen failed where a package had no fate to show. */
test('[SK19] a package with two answers on its fate, or a word of a newer version, is open', () => {
  const apart: RecordState = {
    ...opened('1', 'used'),
    fields: {
      ...opened('1', 'used').fields,
      fate: {
        values: ['used', 'returned'].map((value) => ({
          value,
          references: [value],
          by: '',
          stamp: '1',
        })),
        isConflict: true,
      },
    },
  };
  for (const one of [apart, opened('2', 'lent'), recorded('package_opened/3', { item: 'coil' })]) {
    const [count] = countsOf([one], []);
    expect(count).toMatchObject({ opened: 1, difference: 1, agrees: false });
    expect(count?.open).toEqual([one]);
  }
});

test('[SK18] packages returned unopened are accounted for', () => {
  const [coils] = countsOf([opened('1', 'placed'), opened('2', 'returned')], [placed('1', '1')]);

  expect(coils).toMatchObject({ opened: 2, placed: 1, returned: 1, open: [], agrees: true });
  expect(closeOutFacts(coils ? [coils] : [], true).counts?.[0]).toMatchObject({
    opened: 2,
    recorded: 2,
  });
});

test('[HAZ-16] undone packages and coils are not counted', () => {
  const [coils] = countsOf([struck('package_opened/1')], [struck('coil_placed/1')]);

  expect(coils).toMatchObject({ opened: 0, placed: 0, agrees: true });
});

test('a signature stands under what was there: any later change shows, its own does not', () => {
  const itself = recorded('case/c', { stage: 'closing' }, 's1');
  const coil = placed('1', '1');
  const signed = digestOf(itself, [coil, opened('1', 'placed')]);

  // The order of reading and the stage that signing itself sets change nothing.
  expect(digestOf(itself, [opened('1', 'placed'), coil])).toBe(signed);
  expect(
    digestOf(recorded('case/c', { stage: 'closed' }, 's2'), [coil, opened('1', 'placed')]),
  ).toBe(signed);
  expect(digestOf(itself, [coil])).not.toBe(signed);
  expect(digestOf(itself, [coil, opened('1', 'placed'), placed('2', '1')])).not.toBe(signed);
  expect(
    digestOf(itself, [coil, recorded('package_opened/1', { fate: 'discarded' }, 'later')]),
  ).not.toBe(signed);
  expect(
    digestOf(recorded('case/c', { indication: 'acute-bleed' }), [coil, opened('1', 'placed')]),
  ).not.toBe(signed);
});

test('the digest is SHA-256 of the sorted references, one a line', () => {
  // From `printf 'a\nb' | sha256sum` of GNU coreutils.
  const under = [recorded('lab_result/1', { x: 1 }, 'b'), recorded('lab_result/2', { x: 1 }, 'a')];

  expect(digestOf(null, under)).toBe(
    '7e18f737311b2dc3b2f269dd78396b0351f14fb66efa879f768cb23181883c78',
  );
});

test('the last signature that stands counts', () => {
  expect(lastSignature([])).toBeNull();
  expect(
    lastSignature([recorded('sign_off/1', {}), recorded('sign_off/2', {}), struck('sign_off/3')])
      ?.record,
  ).toBe('sign_off/2');
});

test('[HARD-08] nothing is open only once counts, follow-up, outcome and events are said', () => {
  const answers = recorded('step_event/c-close-out', {
    answers: { doppler_flow: 'none', technical_success: 'yes' },
  });
  const complete = {
    counts: countsOf([], []),
    hasFollowUp: true,
    answers,
    complications: [recorded('complication/1', { what: 'none' })],
  };

  expect(openPoints(complete)).toEqual([]);
  expect(openPoints({ ...complete, hasFollowUp: false })).toEqual(['follow-up']);
  expect(openPoints({ ...complete, counts: countsOf([opened('1', 'open')], []) })).toEqual([
    'counts',
  ]);
  expect(openPoints({ ...complete, answers: null, complications: [] })).toEqual([
    'outcome',
    'complications',
  ]);
});

test('[HAZ-44] a plan of visits or a reason for none counts as follow-up', () => {
  expect(hasFollowUp(recorded('case/c', {}), [])).toBe(false);
  expect(hasFollowUp(recorded('case/c', { no_follow_up_because: 'Died' }), [])).toBe(true);
  expect(hasFollowUp(null, [recorded('visit/1', {})])).toBe(true);
  expect(hasFollowUp(null, [struck('visit/1')])).toBe(false);
});

test('the last Doppler answers the flow where it saw none; what it saw is asked for', () => {
  const doppler = (outcome: string, at = 'T') =>
    recorded('step_event/d', { step: 'final_doppler', outcome, at });
  expect(flowRecorded([doppler('not-seen')])).toEqual({ flow: 'none', at: 'T' });
  expect(flowRecorded([doppler('done')])).toBeNull();
  expect(flowRecorded([doppler('skipped')])).toBeNull();
  expect(flowRecorded([doppler('not-seen'), doppler('done')])).toBeNull();
  expect(flowRecorded([])).toBeNull();

  const open = (flow: ReturnType<typeof flowRecorded>) =>
    openPoints({
      counts: countsOf([], []),
      hasFollowUp: true,
      answers: recorded('step_event/c-close-out', { answers: { technical_success: 'yes' } }),
      complications: [recorded('complication/1', { what: 'none' })],
      flow,
    });
  expect(open({ flow: 'none', at: 'T' })).toEqual([]);
  expect(open(null)).toEqual(['outcome']);
});

test('[SOFT-04] a lot is left out where nobody entered it nor called it unknown', () => {
  const unknown = { device: { lot_unknown: true } };
  const used = (item: string, more = {}) => recorded(`package_opened/${item}`, { item, ...more });
  const given = {
    packages: [used('needle'), used('adhesive')],
    coils: [recorded('coil_placed/1', {})],
    punctures: [recorded('puncture/1', {})],
    adhesives: [recorded('adhesive_injected/1', {})],
  };
  expect(lotsLeftOut(given)).toEqual(['coil', 'needle', 'adhesive']);
  expect(
    lotsLeftOut({
      ...given,
      packages: [used('needle', unknown), used('adhesive', { device: { lot: 'L-1' } })],
      coils: [recorded('coil_placed/1', unknown)],
    }),
  ).toEqual([]);
  expect(lotsLeftOut({ packages: [], coils: [], punctures: [], adhesives: [] })).toEqual([]);
});

test('[HAZ-09] what was entered after the signature is named once each, by the words of its field', () => {
  const held = (stamp: string) => ({
    values: [{ value: 1, references: ['r'], by: 'staff/s', stamp }],
    isConflict: false,
  });
  const state = (record: string, stamps: Record<string, string>) =>
    ({
      record,
      fields: Object.fromEntries(Object.entries(stamps).map(([name, at]) => [name, held(at)])),
    }) as unknown as RecordState;
  const signature = state('sign_off/s', { digest: '5', at: '6' });
  const itself = state('case/c', { shunt: '7', stage: '8', weight_g: '4' });
  const coils = [state('coil_placed/b', { device: '9' }), state('coil_placed/a', { device: '5' })];

  const changed = changedSince(signature, itself, coils);

  expect(changed).toEqual([
    ['case/c', 'shunt'],
    ['coil_placed/b', 'device'],
  ]);
  expect(closeOut.changedFields([...changed, ...changed])).toBe(
    'Entered after it: Shunt, Device label.',
  );
  expect(closeOut.changedFields([])).toContain('struck');
  expect(changedSince(null, itself, coils)).toEqual([]);
});
