import { expect, test } from 'vitest';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import { deathDay } from '../text/death-day';
import { CaseRecord } from './case-record.svelte';
import { findDeathFault, lastTreatedOn } from './death-day';
import { mayChoose } from './decisions-draft';
import { openHeldStore } from './held-store';
import { shown, textOf } from './shown';
import { Surveillance } from './surveillance.svelte';
import { deathDayDrafts } from './surveillance-course';
import { Tablet } from './tablet.svelte';
import { endDraft, reopenDraft } from './worklist-acts';
import { clerk, clinician, record, visit } from './worklist-samples';

const TODAY = '2026-03-16';
const TREATED = '2026-03-02';
const clock = {
  nowMs: () => Date.parse('2026-03-16T10:00:00Z'),
  monotonicMs: () => 0,
  today: () => TODAY,
  nowIso: () => '2026-03-16T10:00:00+00:00',
};
const settle = () => new Promise((resolve) => setTimeout(resolve, 5));

async function openCase(staffRole = 'endoscopist') {
  const { store, held } = await openHeldStore(clock);
  const tablet = new Tablet(store, clock);
  await tablet.chooseWhoTaps('staff/s-1', 'Otis', staffRole);
  const patient = 'patient/p-1';
  await tablet.save([
    { draftId: 'p', record: patient, set: { family_name: 'Sample', given_name: 'Sam' } },
    { draftId: 'c', record: 'case/c-1', set: { patient, stage: 'closed', procedure_on: TREATED } },
  ]);
  const caseRecord = new CaseRecord(store, 'c-1');
  await settle();
  const plan = new Surveillance(
    { store, tablet, clock, ruleBook: packagedRuleBook(TODAY) },
    caseRecord,
  );
  const died = async (on?: string | null) => {
    await plan.endFollowUp('died', 'died', on);
    await settle();
    await plan.readHistories(caseRecord.visits);
  };
  const days = () =>
    caseRecord.visits
      .filter((one) => !one.isEnteredInError)
      .map((one) => [textOf(one, 'status'), shown(one, 'ended_on')]);
  return { store, held, tablet, caseRecord, plan, died, days };
}
const distinct = (rows: readonly unknown[]) => [...new Set(rows.map((row) => JSON.stringify(row)))];

test('nobody died before the last treatment or tomorrow, and the sentence says which day may be', () => {
  const faults = ['2026-03-01', TREATED, '2026-03-03', '2026-03-15', TODAY, '2026-03-17'].map(
    (on) => findDeathFault(on, TREATED, TODAY),
  );
  expect(faults).toEqual(['before-treatment', '', '', '', '', 'to-come']);
  // Of whom no treatment is known here, any day that has come may be it.
  expect(findDeathFault('2019-01-01', '', TODAY)).toBe('');

  expect(deathDay.refuse(TREATED, TREATED, TODAY)).toBe('');
  expect(deathDay.refuse('2026-03-01', TREATED, TODAY)).toContain('before the treatment');
  expect(deathDay.refuse('2026-03-17', TREATED, TODAY)).toContain('still to come');
});

test('the last treatment counts, of whichever case, and none that was entered in error', () => {
  const cases = ['2026-02-01', '2026-03-02', '2025-12-24'].map((procedure_on, place) =>
    record(`case/${place}`, { procedure_on }),
  );
  const inError = { ...record('case/x', { procedure_on: '2026-03-09' }), isEnteredInError: true };
  expect(lastTreatedOn([...cases, inError, record('case/y', {})])).toBe('2026-03-02');
  expect(lastTreatedOn([])).toBe('');
});

/** Has caught a planted bug: the day of an end before outlived its reopening, and was read as new. */
test('[CV13] the day is recorded by the act that ends, and no day of an end before outlasts it', () => {
  const open = visit('a', {});
  expect(endDraft(open, 'died', clinician, '2026-03-10').set).toEqual({
    status: 'ended',
    ended_because: 'died',
    owner_role: 'clinician',
    act_on: null,
    ended_on: '2026-03-10',
  });
  expect(endDraft(open, 'died', clinician, null).set).toHaveProperty('ended_on', null);
  expect(endDraft(open, 'died', clinician).set).not.toHaveProperty('ended_on');
  expect(endDraft(open, 'declined', clinician, '2026-03-10').set).not.toHaveProperty('ended_on');
  expect(() => endDraft(open, 'died', clerk, '2026-03-10')).toThrow('for a clinician alone');

  const ended = visit('b', { status: 'ended', ended_because: 'died', ended_on: '2026-03-10' });
  const again = reopenDraft(ended, 'Noted in error', clinician);
  expect(again.set).toMatchObject({ status: 'to-book', ended_because: null, ended_on: null });
  expect(again.over).toHaveProperty('ended_on');
  const held = visit('c', { ended_on: '2026-03-10' });
  expect(endDraft(held, 'declined', clinician).set).toHaveProperty('ended_on', null);
});

/** Has caught a planted bug: of two visits that a death ended one kept the older day. */
test('[CV13] a day known later goes to every visit that the death ended, by a clinician alone', () => {
  const died = { status: 'ended', ended_because: 'died', owner_role: 'clinician' };
  const visits = [
    visit('a', { ...died, ended_on: '2026-03-10' }),
    visit('b', { ...died, case: 'case/other' }),
    visit('c', { ...died, ended_because: 'declined' }),
    visit('d', { status: 'attended' }),
    { ...visit('e', died), isEnteredInError: true },
    visit('f', { ...died, ended_on: '2026-03-09' }),
  ];
  const drafts = deathDayDrafts(visits, '2026-03-09', clinician);

  expect(drafts.map(({ record: of, set }) => [of, set])).toEqual([
    ['visit/a', { ended_on: '2026-03-09' }],
    ['visit/b', { ended_on: '2026-03-09' }],
  ]);
  expect(drafts[0]?.over).toEqual({ ended_on: ['tab.e1.1#00'] });
  expect(() => deathDayDrafts(visits, '2026-03-09', clerk)).toThrow('for a clinician alone');
});

test('[CV13] of two days of a death a clinician alone chooses', () => {
  expect(mayChoose('visit', 'ended_on', '2026-03-09', 'clinician')).toBe(true);
  expect(mayChoose('visit', 'ended_on', '2026-03-09', 'booking')).toBe(false);
  expect(mayChoose('visit', 'ended_on', null, 'booking')).toBe(false);
});

/** Has caught a planted bug: the day was asked, and saved on none of the visits. */
test('[HAZ-43] a death ends every open visit on its day, in one act that one undo takes back', async () => {
  const { held, caseRecord, plan, died, days } = await openCase();
  await plan.makePlan('plan');
  await settle();
  const open = caseRecord.visits.length;
  const before = held.tip().counter;

  await died('2026-03-09');

  expect(held.tip().counter - before).toBe(open);
  expect(distinct(days())).toEqual(['["ended","2026-03-09"]']);
  // The day of death, not the day of typing.
  expect(plan.asked.answer?.ended).toEqual({ on: '2026-03-09', reason: 'died' });

  await plan.undo();
  await settle();
  expect(days().filter(([status, on]) => status === 'ended' || on !== undefined)).toEqual([]);
});

test('not answering blocks no end, "not known" is an answer, and a day known later is entered', async () => {
  for (const [told, kept] of [
    [undefined, undefined],
    [null, null],
  ] as const) {
    const { caseRecord, plan, died, days } = await openCase();
    await plan.makePlan('plan');
    await settle();

    await died(told);
    expect(distinct(days())).toEqual(distinct([['ended', kept]]));
    expect(plan.asked.answer?.ended).toEqual({ on: TODAY, reason: 'died' });

    await plan.noteDeathDay('2026-03-09', 'noted');
    await settle();
    await plan.readHistories(caseRecord.visits);
    expect(distinct(days())).toEqual(['["ended","2026-03-09"]']);
    expect(plan.asked.answer?.ended?.on).toBe('2026-03-09');

    await plan.undo();
    await settle();
    expect(distinct(days())).toEqual(distinct([['ended', kept]]));
  }
});

/** Has caught a planted bug: a day before the treatment was saved, and no plan could be made any more. */
test('a day that cannot be is refused by one sentence, and nothing is saved', async () => {
  const { held, plan, died, days } = await openCase();
  await plan.makePlan('plan');
  await settle();
  const before = held.tip().counter;

  for (const on of ['2026-03-01', '2026-03-17']) {
    await died(on);
    expect(plan.refused).toBe(deathDay.refuse(on, TREATED, TODAY));
    expect(plan.refused).not.toBe('');
  }
  expect(held.tip().counter).toBe(before);

  await died(TREATED);
  expect(plan.refused).toBe('');
  const ended = held.tip().counter;
  await plan.noteDeathDay('2026-03-01', 'noted');
  expect(plan.refused).toContain('before the treatment');
  expect(held.tip().counter).toBe(ended);
  expect(distinct(days())).toEqual([`["ended","${TREATED}"]`]);
});

test('[HAZ-45] a nurse neither ends by a death nor says on which day it was', async () => {
  const { held, tablet, plan, died, days } = await openCase();
  await plan.makePlan('plan');
  await died('2026-03-09');
  const before = held.tip().counter;
  await tablet.chooseWhoTaps('staff/s-2', 'Ada', 'assistant');

  await plan.noteDeathDay('2026-03-10', 'noted');

  expect(plan.refused).toContain('for a clinician alone');
  expect(held.tip().counter).toBe(before);
  expect(distinct(days())).toEqual(['["ended","2026-03-09"]']);
});

/** Has caught a planted bug: ended again after an undo, the act was taken for the one before. */
test('[HAZ-43] with no visit open a death carries its day, also where it was undone and told anew', async () => {
  const { plan, died, days } = await openCase();

  await died();
  expect(days()).toEqual([['ended', undefined]]);
  await plan.undo();
  await settle();
  expect(days()).toEqual([]);

  await died('2026-03-09');
  expect(days()).toEqual([['ended', '2026-03-09']]);
});
