import { expect, test } from 'vitest';
import { answerFollowUp } from '../clinical-rules/follow-up';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import type { Draft, HistoryEntry, Json } from '../ports';
import { blankState, withFields } from './record-state';
import type { RecordState } from './shown';
import { askFollowUp, knownInputs } from './surveillance';
import { happeningsOf } from './surveillance-happenings';
import { planChanges } from './surveillance-plan';

const CASE = 'case/c-1';
const PATIENT = 'patient/p-1';
const TODAY = '2026-03-16';
const ruleBook = packagedRuleBook(TODAY);
const dayOf = () => TODAY;

const record = (id: string, fields: Record<string, Json>) => withFields(blankState(id), fields);
const entry = (set: Record<string, Json>) =>
  ({ set, stamp: '', isStruck: false, retract: [], wallMs: 0 }) as unknown as HistoryEntry;

/** The visits as the record would show them after these drafts. */
function after(visits: readonly RecordState[], drafts: readonly Draft[]): RecordState[] {
  const held = new Map(visits.map((visit) => [visit.record, visit]));
  for (const draft of drafts) {
    const before = held.get(draft.record) ?? blankState(draft.record);
    held.set(draft.record, withFields(before, draft.set ?? {}));
  }
  return [...held.values()];
}

function planOf(
  caseFields: Record<string, Json>,
  visits: readonly RecordState[],
  results: readonly RecordState[] = [],
  histories: Record<string, HistoryEntry[]> = {},
) {
  const inputs = knownInputs(record(CASE, caseFields), null, [], []);
  const happened = happeningsOf(visits, results, histories, dayOf);
  const answer = answerFollowUp(askFollowUp('2026-03-02', TODAY, inputs, happened), ruleBook);
  return { answer, changes: planChanges(CASE, PATIENT, answer, visits) };
}

test('what is not entered is left out of the request, never guessed (HAZ-09)', () => {
  const inputs = knownInputs(record(CASE, { cause: 'unknown' }), null, [], []);

  const request = askFollowUp('2026-03-02', TODAY, inputs, []);

  expect(request.conditions).toEqual({ adhesive_ul: 0, coils: 0 });
  expect(request.acute_bleed).toBe(false);
});

test('amounts come from what stands in the record, in whole microlitres of the mix', () => {
  const injected = [1500, 500].map((mix_ul, place) =>
    record(`adhesive_injected/${place}`, {
      amount: { agent: 'n-butyl-2-cyanoacrylate', parts_adhesive: 1, parts_oil: 1, mix_ul },
    }),
  );
  const coils = [record('coil_placed/1', {}), record('coil_placed/2', {})];

  const inputs = knownInputs(record(CASE, { cause: 'alcohol' }), 'B', coils, injected);
  const request = askFollowUp('2026-03-02', TODAY, inputs, []);

  expect(request.conditions).toEqual({
    cirrhosis: true,
    child_class: 'B',
    adhesive_ul: 2000,
    coils: 2,
  });
});

test('making the plan twice, or on a second tablet, adds nothing twice', () => {
  const first = planOf({}, []);
  const second = planOf({}, []);
  const saved = after([], first.changes.fresh);
  const again = planOf({}, saved);

  expect(first.changes.fresh.length).toBe(first.answer.visits.length);
  expect(first.changes.fresh.length).toBeGreaterThan(2);
  expect(second.changes.fresh).toEqual(first.changes.fresh);
  expect(again.changes).toEqual({ fresh: [], moved: [], gone: [] });
});

test('[FU-11] a planned visit carries no finding into the booking stream', () => {
  const { changes } = planOf({ indication: 'acute-bleed', on_beta_blocker: true }, []);
  const fields = ['patient', 'case', 'plan_visit', 'label', 'rule_file', 'window'];

  for (const draft of changes.fresh) {
    expect(Object.keys(draft.set ?? {}).sort()).toEqual([...fields, 'status', 'owner_role'].sort());
    expect(String(draft.set?.label)).not.toMatch(/bleed|varix|flow|embol|coil|adhesive|blocker/i);
    expect(draft.because ?? '').toBe('');
  }
});

test('flow left at a look brings a treatment session into the plan', () => {
  const saved = after([], planOf({}, []).changes.fresh);
  const look = saved.find((visit) => visit.record.endsWith('eus-3m'));
  if (!look) throw new Error('no look planned');
  const visits = saved.map((visit) =>
    visit === look ? withFields(visit, { status: 'attended' }) : visit,
  );
  const result = record('visit_result/c-1-eus-3m', {
    case: CASE,
    visit: look.record,
    on: '2026-03-15',
    doppler_flow: 'yes',
    obliterated: 'no',
  });

  const { changes } = planOf({}, visits, [result]);

  expect(changes.fresh.map((draft) => draft.set?.label)).toContain('Treatment session');
});

test('treated again: open looks move, what took place stays as it was', () => {
  const saved = after([], planOf({}, []).changes.fresh);
  const call = saved.find((visit) => visit.record.endsWith('call-24-72h'));
  if (!call) throw new Error('no call planned');
  const visits = saved.map((visit) =>
    visit === call ? withFields(visit, { status: 'attended' }) : visit,
  );
  const result = record('visit_result/c-1-call-24-72h', {
    case: CASE,
    visit: call.record,
    on: '2026-03-10',
    retreated: true,
  });

  const { changes } = planOf({}, visits, [result]);
  const moved = changes.moved.map((draft) => draft.record);

  expect(moved).toContain('visit/c-1-eus-3m');
  expect(moved).not.toContain(call.record);
  const look = changes.moved.find((draft) => draft.record === 'visit/c-1-eus-3m');
  // Derived: 10 March + 3 months.
  expect(look?.set?.window).toMatchObject({ target_on: '2026-06-10' });
});

test('[HAZ-43] a missed visit stays told after it was booked again', () => {
  const visit = record('visit/c-1-clinic-1w', {
    plan_visit: 'clinic_1w',
    status: 'booked',
    booking: { session: 's', on: '2026-03-20', time: '' },
    window: { earliest_on: '2026-03-07', target_on: '2026-03-09', latest_on: '2026-03-12' },
  });
  const history = [
    entry({ status: 'booked', booking: { session: 's', on: '2026-03-11', time: '' } }),
    entry({ status: 'no-show' }),
    entry({ status: 'booked', booking: { session: 's', on: '2026-03-20', time: '' } }),
  ];

  const happened = happeningsOf([visit], [], { [visit.record]: history }, dayOf);

  expect(happened).toEqual([
    { record: visit.record, visit: 'clinic_1w', on: '2026-03-11', outcome: 'no-show' },
  ]);
});

test('a visit that a clinician ended as not needed does not come back', () => {
  const saved = after([], planOf({}, []).changes.fresh);
  const visits = saved.map((visit) =>
    visit.record.endsWith('clinic-1w')
      ? withFields(visit, { status: 'ended', ended_because: 'not-needed' })
      : visit,
  );

  expect(planOf({}, visits).changes.fresh).toEqual([]);
});

test('follow-up that ended leaves every open visit to be ended, and plans nothing', () => {
  const saved = after([], planOf({}, []).changes.fresh);
  const [first, ...rest] = saved;
  if (!first) throw new Error('no plan');
  const ended = withFields(first, { status: 'ended', ended_because: 'died' });
  const histories = { [first.record]: [entry({ status: 'ended', ended_because: 'died' })] };

  const { answer, changes } = planOf({}, [ended, ...rest], [], histories);

  expect(answer.ended).toEqual({ on: TODAY, reason: 'died' });
  expect(changes.fresh).toEqual([]);
  expect(changes.gone.map((visit) => visit.record)).toEqual(rest.map((visit) => visit.record));
});

test('[FU18] a look on which the varix could not be seen is told as such, and plans another', () => {
  const visit = record('visit/c-1-eus-3m', { plan_visit: 'eus_3m', status: 'attended' });
  const unseen = { visit: visit.record, on: '2026-03-15', doppler_flow: 'not-seen' };
  const told = (more: Record<string, Json>) =>
    happeningsOf([visit], [record('visit_result/c-1-eus-3m', { ...unseen, ...more })], {}, dayOf);

  expect(told({ obliterated: 'not-examined' })).toEqual([
    {
      record: visit.record,
      visit: 'eus_3m',
      on: '2026-03-15',
      outcome: 'attended',
      not_seen: true,
    },
  ]);
  const { answer } = planOf({}, [visit], [record('visit_result/c-1-eus-3m', unseen)]);
  expect(answer.visits.map((one) => one.visit)).toContain('look_again');
});

test('[FU-13] what was done elsewhere counts on its own day, not on that of the booking', () => {
  const visit = record('visit/c-1-eus-3m', {
    plan_visit: 'eus_3m',
    status: 'attended',
    booking: { session: 'clinic_session/a', on: '2026-03-12', time: '09:00' },
    elsewhere: { on: '2026-03-10', place: 'Unit by the sea' },
  });

  expect(happeningsOf([visit], [], {}, dayOf)).toEqual([
    { record: visit.record, visit: 'eus_3m', on: '2026-03-10', outcome: 'done-elsewhere' },
  ]);
});

// Results read of any visit turned this red.
test('what was opened again did not take place, and what was noted of it counts no more', () => {
  const result = record('visit_result/v', {
    visit: 'visit/v',
    on: '2026-06-02',
    doppler_flow: 'no',
  });
  const told = (status: string) =>
    happeningsOf([record('visit/v', { plan_visit: 'eus_3m', status })], [result], {}, dayOf);

  expect(told('attended')).toMatchObject([{ outcome: 'attended', doppler_flow: false }]);
  expect(told('to-book')).toEqual([]);
  expect(told('booked')).toEqual([]);
});

test('[FU17] a booking cancelled ahead of its day does not stop the plan', () => {
  const saved = after([], planOf({}, []).changes.fresh);
  const visits = saved.map((visit) =>
    visit.record.endsWith('eus-3m')
      ? withFields(visit, {
          status: 'cancelled',
          cancelled_by: 'patient',
          booking: { session: 'clinic_session/a', on: '2026-06-02', time: '09:00' },
        })
      : visit,
  );

  const { answer, changes } = planOf({}, visits);

  expect(answer.visits.find((one) => one.visit === 'eus_3m')?.state).toBe('planned');
  expect([changes.fresh, changes.moved, changes.gone]).toEqual([[], [], []]);
});
