/** What ends beside the reason when a case is closed without follow-up, and on which day it did. */
import { expect, test } from 'vitest';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import { deathDay } from '../text/death-day';
import type { App } from './app';
import { CloseOutSession } from './close-out.svelte';
import { openHeldStore } from './held-store';
import { shown, textOf } from './shown';
import { Tablet } from './tablet.svelte';

const CASE = 'case/c1';
const PATIENT = 'patient/p1';
const TODAY = '2026-03-16';
const TREATED = '2026-03-02';
const settle = () => new Promise((resolve) => setTimeout(resolve, 5));

async function openSession({ patient = PATIENT, role = 'endoscopist' } = {}) {
  let ms = 0;
  const clock = {
    nowMs: () => Date.parse(`${TODAY}T10:00:00Z`),
    // Each press is later than the lockout of the one before.
    monotonicMs: () => (ms += 1_000),
    today: () => TODAY,
    nowIso: () => `${TODAY}T10:00:00+00:00`,
  };
  const { store, held } = await openHeldStore(clock);
  const tablet = new Tablet(store, clock);
  await tablet.chooseWhoTaps('staff/s-1', 'Otis', role);
  let made = 0;
  const ids = { newId: () => `i${++made}` };
  const app = { store, clock, tablet, ids, ruleBook: packagedRuleBook(TODAY) } as unknown as App;
  const itself = { stage: 'closing', procedure_on: TREATED, ...(patient && { patient }) };
  await tablet.save([{ draftId: 'c', record: CASE, set: itself }]);
  const session = new CloseOutSession(app, 'c1');
  await settle();
  const leaveOut = async (reason: string, on?: string | null) => {
    await session.followUp.leaveOut(reason, 'no follow-up', on);
    await settle();
  };
  const reason = () => textOf(held.read({ kind: 'case', record: CASE })[0], 'no_follow_up_because');
  const visits = () =>
    held
      .read({ kind: 'visit' })
      .filter((one) => !one.isEnteredInError)
      .map((one) => [textOf(one, 'status'), textOf(one, 'ended_because'), shown(one, 'ended_on')]);
  const plan = async (id: string, caseRecord: string, set: Record<string, string | null> = {}) => {
    const window = { earliest_on: '2026-05-01', target_on: '2026-05-08', latest_on: '2026-05-15' };
    const told = { patient: PATIENT, case: caseRecord, label: 'Clinic visit', window };
    const stands = { status: 'to-book', owner_role: 'booking', act_on: '2026-05-01', ...set };
    await tablet.save([{ draftId: id, record: `visit/${id}`, set: { ...told, ...stands } }]);
    await settle();
  };
  return { session, held, tablet, leaveOut, reason, visits, plan };
}

/** Has caught planted bugs: the day asked and not saved; no visit made where none was open. */
test('[HAZ-43] [RG16] "Died" at close-out keeps its day on a visit, and one undo takes both back', async () => {
  for (const day of ['2026-03-09', TREATED, TODAY, null]) {
    const { session, leaveOut, reason, visits } = await openSession();

    await leaveOut('Died', day);
    expect(session.followUp.refused).toBe('');
    expect(reason()).toBe('Died');
    expect(visits()).toEqual([['ended', 'died', day]]);
    expect(session.followUp.deaths).toHaveLength(1);
    expect(session.followUp.goingOn).toEqual([]);

    await session.acts.undo();
    await settle();
    expect([reason(), visits()]).toEqual(['', []]);
    // Told anew after the undo it is told all the same.
    await leaveOut('Died', day);
    expect(visits()).toEqual([['ended', 'died', day]]);
  }
});

test('[HAZ-45] the open visits of every case end on that day, and none is made beside them', async () => {
  const { leaveOut, visits, plan } = await openSession();
  await plan('v1', 'case/earlier');
  await plan('v2', 'case/earlier', { status: 'attended' });

  await leaveOut('Died', '2026-03-09');

  expect(visits()).toEqual([
    ['ended', 'died', '2026-03-09'],
    ['attended', '', undefined],
  ]);
});

/** Has caught a planted bug: a day that cannot be was saved with the reason. */
test('a day before the treatment or to come is refused by a sentence, and nothing is saved', async () => {
  const { session, held, leaveOut, reason, visits } = await openSession();
  const before = held.tip().counter;

  for (const day of ['2026-03-01', '2026-03-17']) {
    await leaveOut('Died', day);
    expect(session.followUp.refused).toBe(deathDay.refuse(day, TREATED, TODAY));
    expect(session.followUp.refused).not.toBe('');
  }
  expect(held.tip().counter).toBe(before);
  expect([reason(), visits()]).toEqual(['', []]);

  await leaveOut('Died', '2026-03-02');
  expect(session.followUp.refused).toBe('');
});

/** Has caught a planted bug: the older of two days stayed on the visit that had ended before. */
test('[CV13] another day is said by "Died" again, on every visit, and the reason stays as signed', async () => {
  const { session, leaveOut, visits, plan } = await openSession();
  await plan('v1', 'case/earlier', {
    status: 'ended',
    ended_because: 'died',
    owner_role: 'clinician',
    act_on: null,
    ended_on: '2026-03-12',
  });
  await leaveOut('Died', '2026-03-11');
  const digest = session.digest;
  expect(visits()).toEqual([['ended', 'died', '2026-03-11']]);

  await leaveOut('Died', '2026-03-09');
  expect(visits()).toEqual([['ended', 'died', '2026-03-09']]);
  expect(session.digest).toBe(digest);
});

/** Has caught a planted bug: the visit that said "died" outlived the reason, and barred every letter. */
test('[HAZ-45] another reason takes back the visit that only carried the death', async () => {
  const { session, leaveOut, reason, visits } = await openSession();
  for (const other of ['Patient declined', 'Transferred to another unit']) {
    await leaveOut('Died', '2026-03-09');

    await leaveOut(other);

    expect(reason()).toBe(other);
    expect(visits()).toEqual([]);
    expect(session.followUp.deaths).toEqual([]);
  }
  await leaveOut('Died', '2026-03-10');
  expect(visits()).toEqual([['ended', 'died', '2026-03-10']]);
});

test('[HAZ-45] a nurse gives the reason alone, and is not asked the day; so of a case that names nobody', async () => {
  const nurse = await openSession({ role: 'assistant' });
  expect(nurse.session.followUp.asksDeathDay).toBe(false);
  await nurse.leaveOut('Died');
  expect([nurse.reason(), nurse.visits()]).toEqual(['Died', []]);

  // The clinician who comes later says the day.
  await nurse.tablet.chooseWhoTaps('staff/s-2', 'Ada', 'endoscopist');
  expect(nurse.session.followUp.asksDeathDay).toBe(true);
  await nurse.leaveOut('Died', '2026-03-09');
  expect(nurse.visits()).toEqual([['ended', 'died', '2026-03-09']]);

  const nobody = await openSession({ patient: '' });
  expect(nobody.session.followUp.asksDeathDay).toBe(false);
  await nobody.leaveOut('Died');
  expect([nobody.reason(), nobody.visits()]).toEqual(['Died', []]);
});
