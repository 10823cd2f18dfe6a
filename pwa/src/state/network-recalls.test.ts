import { expect, test } from 'vitest';
import type { DeskPort } from '../desk-questions';
import type { NetworkRecall, RecallAtUnit } from '../network-questions';
import {
  countAnswers,
  csvAddress,
  isOpen,
  NetworkRecalls,
  NoticeEntry,
  orderAnswers,
} from './network-recalls.svelte';
import { UnitDesk } from './unit-desk.svelte';

const TODAY = '2026-11-26';
const at = (name: string, more: Partial<RecallAtUnit> = {}): RecallAtUnit => ({
  unit: `unit-${name}`,
  name,
  exact: 5,
  near: 2,
  unknown: 0,
  answer: 'none',
  found_cases: null,
  found_patients: null,
  exact_patients: null,
  near_patients: null,
  unknown_lots: null,
  on_shelf: null,
  answered_ms: null,
  waiting_days: 2,
  is_behind: false,
  ...more,
});
const NOTICE: NetworkRecall = {
  notice: 'network_recall/1',
  state: 'in-force',
  item: 'coil',
  criteria: { lots: ['L-0417'] },
  reason: 'Sheath may crack.',
  issued_on: TODAY,
  written_by_name: 'Pell Thistlewood',
  written_ms: 1,
  withdrawn_ms: null,
  because: '',
  units: [],
};

function recallsOf(answers: Record<string, unknown>) {
  const asked: [string, unknown][] = [];
  const port = {
    ask: async (question: string, asks: unknown) => {
      asked.push([question, asks]);
      return { kind: 'told', answer: answers[question] };
    },
  } as unknown as DeskPort;
  const desk = new UnitDesk(port, () => 0, 'hub');
  return { asked, recalls: new NetworkRecalls(desk, () => TODAY) };
}

test('[HAZ-46] units that have not answered a notice stand first, the longest waiting before others', () => {
  const units = [
    at('Alder', { answer: 'closed', waiting_days: 0 }),
    at('Birch', { answer: 'searched', waiting_days: 30 }),
    at('Crane', { waiting_days: 9 }),
    at('Dorn', { waiting_days: 12 }),
  ];

  expect(orderAnswers(units).map(({ name }) => name)).toEqual(['Dorn', 'Crane', 'Birch', 'Alder']);
  expect(countAnswers(units)).toEqual({ all: 4, closed: 1, silent: 2 });
  expect(csvAddress(NOTICE)).toBe('/api/network/recall-csv?notice=network_recall%2F1');
});

/** Has caught a planted bug: closed counted as done whatever had been reported since. */
test('[HAZ-46] [NL7] [NL8] a notice that is not heeded, or was closed before more cases were reported is open', () => {
  const units = [
    at('Alder', { answer: 'closed' }),
    at('Birch', { answer: 'closed', found_cases: 0, is_behind: true }),
    at('Crane', { answer: 'not-heeded', found_cases: 0 }),
  ];

  expect(units.map(isOpen)).toEqual([false, true, true]);
  expect(orderAnswers(units).map(({ name }) => name)).toEqual(['Birch', 'Crane', 'Alder']);
  expect(countAnswers(units)).toEqual({ all: 3, closed: 1, silent: 0 });
});

/** Has caught a planted bug: with `counts !== null` alone, a lot changed after the count was written. */
test('[HAZ-46] nothing is written that was not counted as it stands', async () => {
  const { asked, recalls } = recallsOf({
    'count-recall': {
      units: [{ unit: 'u', name: 'Tarn', exact: 5, near: 2, unknown: 0 }],
      cautions: [],
    },
    'add-recall': { notices: [NOTICE] },
  });
  const { notice } = recalls;
  notice.entry.enter('lot', 'L-0417, L-0418');
  notice.reason = 'Sheath may crack.';
  expect([notice.canCount, notice.canWrite]).toEqual([true, false]);
  await recalls.write();
  expect(asked).toEqual([]);

  await recalls.count();
  expect([notice.isCounted, notice.canWrite]).toEqual([true, true]);
  notice.entry.enter('lot', 'L-0419');
  expect([notice.isCounted, notice.canWrite]).toEqual([false, false]);
  await recalls.write();
  expect(asked.length).toBe(1);

  notice.entry.enter('identifier', '04012345678901');
  notice.entry.item = 'coil';
  await recalls.count();
  await recalls.write();
  expect(asked.at(-1)).toEqual([
    'add-recall',
    {
      criteria: { identifier: '04012345678901', lots: ['L-0419'] },
      item: 'coil',
      reason: 'Sheath may crack.',
      issued_on: TODAY,
      to: [],
    },
  ]);
  expect(recalls.asked.told?.notices).toEqual([NOTICE]);
  expect([notice.entry.isBegun, notice.reason, notice.counts]).toEqual([false, '', null]);
});

test('what nobody can search by is refused here, in the words of the search', () => {
  const notice = new NoticeEntry(() => TODAY);
  notice.entry.enter('lot', '---');
  expect(notice.readCriteria()).toBeNull();
  expect(notice.refusal).toMatch(/no letter or digit/);
  notice.entry.enter('lot', '');
  notice.entry.enter('expiresFrom', '2028-06');
  notice.entry.enter('expiresTo', '2028-07');
  expect(notice.readCriteria()).toEqual({ expires_from: '2028-06-01', expires_to: '2028-07-31' });
  expect(notice.refusal).toBe('');
});

test.each([
  ['2026-11-25', false],
  ['2026-11-26', false],
  ['2026-11-27', true],
  ['2026-02-30', true],
  ['', false],
])('the day of a notice is a day, and not one to come (%s)', (day, isBad) => {
  const notice = new NoticeEntry(() => TODAY);
  notice.issuedOn = day;
  expect(notice.isBadDay).toBe(isBad);
});

test('withdrawing needs a reason of a list and answers the list anew', async () => {
  const { asked, recalls } = recallsOf({ 'end-recall': { notices: [] } });

  expect(await recalls.withdraw(NOTICE.notice, 'The notice was withdrawn')).toBe(true);
  expect(asked[0]).toEqual([
    'end-recall',
    { notice: NOTICE.notice, because: 'The notice was withdrawn' },
  ]);
});
