import { expect, test } from 'vitest';
import type { UnitProposalsAnswer } from '../ports';
import { BookingProposals } from './booking-proposals.svelte';
import type { Worklist } from './worklist.svelte';
import { clerk, listOfVisits, patient, session, TODAY, visit } from './worklist-samples';

const visits = [visit('a', {}), visit('b', {})];
const sessions = [session('s', '2026-03-19', [], 2)];
const told: UnitProposalsAnswer = {
  kind: 'told',
  proposals: ['a', 'b'].map((name) => ({
    visit: `visit/${name}`,
    patient: 'patient/p',
    session: 'clinic_session/s',
    on: '2026-03-19',
    starts: '09:00',
    place: 'Room 2',
    standing: 'new',
    because: 'Nearest.',
  })),
  unbooked: [],
  cost: 0,
  is_optimal: true,
};

/** A desk whose acts are kept in a list. */
function desk(answers: UnitProposalsAnswer[]) {
  const asked: unknown[] = [];
  const acts: string[][] = [];
  const store = {
    exchangeNow: async () => {
      asked.push('exchange');
      return {} as never;
    },
    unitProposals: async (todayOn: string, untilOn: string) => {
      asked.push([todayOn, untilOn]);
      const answer = answers.shift();
      if (!answer) throw new Error('asked too often');
      return answer;
    },
  };
  const work = {
    todayOn: TODAY,
    course: clerk,
    records: { sessions, visits, patients: [] },
    rows: listOfVisits(visits, { patients: [patient('p', {})] }),
    noticeDay: () => {},
    act: async (words: string, make: () => { record: string }[]) => {
      acts.push([words, ...make().map(({ record }) => record)]);
      return true;
    },
  } as unknown as Worklist;
  return { proposals: new BookingProposals(store, work), asked, acts };
}
const count = (booked: number) => `${booked} booked`;

test('what was recorded here goes to the unit before it is asked', async () => {
  const { proposals, asked } = desk([told]);

  await proposals.ask(8, '2026-03-16T09:00:00Z');

  expect(asked).toEqual(['exchange', [TODAY, '2026-05-11']]);
  expect(proposals.open.map((row) => row.visit)).toEqual(['visit/a', 'visit/b']);
});

test('what is left out is not booked with all, and can be taken in again', async () => {
  const { proposals, acts } = desk([told]);
  await proposals.ask(4, '');

  proposals.leaveOut('visit/a', true);
  await proposals.accept(proposals.open, count);
  proposals.leaveOut('visit/a', false);
  await proposals.accept(proposals.open, count);

  expect(acts).toEqual([
    ['1 booked', 'visit/b'],
    ['2 booked', 'visit/a', 'visit/b'],
  ]);
});

test('a unit that does not answer leaves no proposals of before on screen', async () => {
  const { proposals } = desk([told, { kind: 'not-told', sentence: 'The unit cannot be reached.' }]);
  await proposals.ask(4, '');

  await proposals.ask(4, '');

  expect(proposals.notTold).toBe('The unit cannot be reached.');
  expect(proposals.rows).toEqual([]);
});

test('a second press while the unit is asked asks nothing', async () => {
  const { proposals, asked } = desk([told]);

  await Promise.all([proposals.ask(4, ''), proposals.ask(12, '')]);

  expect(asked).toEqual(['exchange', [TODAY, '2026-04-13']]);
});
