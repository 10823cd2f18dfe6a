import { expect, test } from 'vitest';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import type { Draft, RecordStore } from '../ports';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { openMemoryDisk } from '../storage/memory-database';
import { OperationStore } from '../storage/operation-store';
import { CaseRecord } from './case-record.svelte';
import { textOf } from './shown';
import { Surveillance } from './surveillance.svelte';
import { Tablet } from './tablet.svelte';
import { Worklist } from './worklist.svelte';
import { bookDraft } from './worklist-acts';

const TODAY = '2026-03-16';
const clock = {
  nowMs: () => Date.parse('2026-03-16T10:00:00Z'),
  monotonicMs: () => 0,
  today: () => TODAY,
  nowIso: () => '2026-03-16T10:00:00+00:00',
};

/** The real store in memory, behind the port that screens use. */
async function openStore() {
  const held = new OperationStore((await openMemoryDisk()).database, packagedCatalogue());
  held.becomeDevice(
    { device: 'tab-a', role: 'bedside', token: null, unitName: '', streams: [] },
    'epoch1',
  );
  const listeners = new Set<(records: string[]) => void>();
  let drawn = 0;
  const circumstances = {
    wallMs: clock.nowMs(),
    newSalt: () => (drawn++).toString(16).padStart(32, '0'),
  };
  const store = {
    read: async (query: Parameters<OperationStore['read']>[0]) => held.read(query),
    history: async (record: string) => held.history(record),
    save: async (drafts: readonly Draft[], who: { by: string; tappedBy: string }) => {
      const saved = held.save(drafts, who, circumstances);
      for (const tell of listeners) tell(saved.records.map((one) => one.record));
      return { kind: 'saved' as const, ...saved };
    },
    onRecords: (listener: (records: string[]) => void) => {
      listeners.add(listener);
      return () => listeners.delete(listener);
    },
    onExchange: () => () => {},
  } as unknown as RecordStore;
  return { store, held };
}
const settle = () => new Promise((resolve) => setTimeout(resolve, 5));

async function openCase() {
  const { store, held } = await openStore();
  const tablet = new Tablet(store, clock);
  await tablet.save([
    { draftId: 'p', record: 'patient/p-1', set: { family_name: 'Sample', given_name: 'Sam' } },
    {
      draftId: 'c',
      record: 'case/c-1',
      set: { patient: 'patient/p-1', stage: 'closed', procedure_on: '2026-03-02' },
    },
  ]);
  const caseRecord = new CaseRecord(store, 'c-1');
  await settle();
  const parts = { store, tablet, clock, ruleBook: packagedRuleBook(TODAY) };
  return { store, held, tablet, caseRecord, plan: new Surveillance(parts, caseRecord) };
}
const visitOf = (caseRecord: CaseRecord, name: string) => {
  const found = caseRecord.visits.find((visit) => textOf(visit, 'plan_visit') === name);
  if (!found) throw new Error(`no visit ${name}`);
  return found;
};

test('a plan pressed twice is saved once, undone as one act, and can be made again', async () => {
  const { store, held, caseRecord, plan } = await openCase();
  const planned = plan.changes.fresh.length;

  await Promise.all([plan.makePlan('plan'), plan.makePlan('plan')]);
  await settle();
  const afterPress = held.tip().counter;
  await plan.undo();
  await settle();

  expect(afterPress).toBe(2 + planned);
  expect(caseRecord.visits.filter((visit) => !visit.isEnteredInError)).toEqual([]);
  expect((await store.read({ kind: 'visit' })).length).toBe(planned);
  expect(plan.changes.fresh.length).toBe(planned);

  await plan.makePlan('plan');
  await settle();
  expect(caseRecord.visits.filter((visit) => !visit.isEnteredInError).length).toBe(planned);
  expect(plan.changes).toEqual({ fresh: [], moved: [], gone: [] });
});

test('a result and the visits that follow from it are saved in one act', async () => {
  const { held, caseRecord, plan } = await openCase();
  await plan.makePlan('plan');
  await settle();
  const look = visitOf(caseRecord, 'eus_3m');

  await plan.recordAttended(look, '2026-03-15', 'attended here', 'Attended here');
  await plan.recordFinding(look, 'doppler_flow', 'yes', 'Doppler flow');
  await settle();

  const retreat = visitOf(caseRecord, 'treatment_session');
  expect(textOf(retreat, 'label')).toBe('Treatment session');
  expect(textOf(visitOf(caseRecord, 'eus_3m'), 'status')).toBe('attended');
  expect(textOf(caseRecord.standing('visit_result')[0], 'doppler_flow')).toBe('yes');
  expect(plan.changes.fresh).toEqual([]);

  const before = held.tip().counter;
  await plan.recordFinding(look, 'doppler_flow', 'yes', 'Doppler flow');
  // The answer stands already: the same words again are one more operation at most, no visit.
  expect(held.tip().counter - before).toBeLessThanOrEqual(1);
  expect(
    caseRecord.visits.filter((one) => textOf(one, 'plan_visit') === 'treatment_session').length,
  ).toBe(1);
});

test('[HAZ-43] ending follow-up ends every open visit with the reason, and the plan stays silent', async () => {
  const { caseRecord, plan } = await openCase();
  await plan.makePlan('plan');
  await settle();

  await plan.endFollowUp('declined', 'declined');
  await settle();
  await plan.readHistories(caseRecord.visits);

  for (const visit of caseRecord.visits) {
    expect(textOf(visit, 'status')).toBe('ended');
    expect(textOf(visit, 'ended_because')).toBe('declined');
  }
  expect(plan.asked.answer?.ended?.reason).toBe('declined');
  expect(plan.changes).toEqual({ fresh: [], moved: [], gone: [] });
});

test('[TASK-18] booked, missed, back on the list, undone: the visit is never off the list', async () => {
  const { store, tablet, caseRecord, plan } = await openCase();
  await plan.makePlan('plan');
  await tablet.save([
    {
      draftId: 's',
      record: 'clinic_session/s-1',
      set: {
        place: 'Room 4',
        held: { on: TODAY, starts: '10:00', time_zone: 'Europe/London' },
        capacity: 1,
        equipment: [],
      },
    },
  ]);
  let minted = 0;
  const work = new Worklist({
    store,
    tablet,
    clock,
    ids: { newId: () => `id${minted++}` },
    ruleBook: packagedRuleBook(TODAY),
  });
  await settle();
  const rowOf = () => {
    const row = work.rows.find((one) => textOf(one.visit, 'plan_visit') === 'clinic_1w');
    if (!row) throw new Error('off the list');
    return row;
  };
  work.selectedRecord = rowOf().visit.record;
  const offer = work.offers[0];
  if (!offer) throw new Error('no session');

  await work.act('booked', (course) => [bookDraft(rowOf().visit, offer, 'Patient asked', course)]);
  await settle();
  expect([rowOf().status, rowOf().group]).toEqual(['booked', 'this-week']);

  await work.noteNoShow(rowOf(), 'Forgot', 'missed');
  await settle();
  expect([rowOf().status, rowOf().group, rowOf().owner]).toEqual(['no-show', 'no-show', 'booking']);

  await work.undo();
  await settle();
  expect(rowOf().status).toBe('booked');

  await work.noteNoShow(rowOf(), 'Forgot', 'missed');
  await settle();
  await work.act('booked', (course) => [bookDraft(rowOf().visit, offer, 'Patient asked', course)]);
  await settle();
  await work.noteNoShow(rowOf(), 'Unwell', 'missed');
  await settle();
  expect([rowOf().status, rowOf().group, rowOf().owner]).toEqual([
    'no-show',
    'clinician',
    'clinician',
  ]);
  expect(caseRecord.isLoaded).toBe(true);
});
