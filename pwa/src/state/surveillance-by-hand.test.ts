import { expect, test } from 'vitest';
import { answerFollowUp } from '../clinical-rules/follow-up';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import type { Json } from '../ports';
import { surveillance } from '../text/surveillance';
import { blankState, withFields } from './record-state';
import { askFollowUp, knownInputs } from './surveillance';
import {
  findNextRecorded,
  handDraft,
  hasEnded,
  lacksFinding,
  listLabels,
  listPlacesElsewhere,
  listRecorded,
} from './surveillance-by-hand';
import { happeningsOf } from './surveillance-happenings';
import { planChanges } from './surveillance-plan';
import { clinician, TODAY } from './worklist-samples';

const RECORD_ONLY = packagedRuleBook(TODAY).forCase(() => true);
const course = { ...clinician, ruleBook: RECORD_ONLY };
const TOLD = {
  record: 'visit/h-1',
  patient: 'patient/p-1',
  caseRecord: 'case/c-1',
  label: 'Scope check',
  targetOn: '2026-06-16',
  aroundDays: 14,
} as const;
const record = (id: string, fields: Record<string, Json>) => withFields(blankState(id), fields);
const added = (more: Partial<Parameters<typeof handDraft>[0]> = {}) => {
  const draft = handDraft({ ...TOLD, ownerRole: 'booking', ...more }, 'by hand', course);
  return record(draft.record, draft.set ?? {});
};
const planOf = (visits: Parameters<typeof happeningsOf>[0], histories = {}) => {
  const inputs = knownInputs(record('case/c-1', {}), null, [], []);
  const happened = happeningsOf(visits, [], histories, () => TODAY);
  const asked = askFollowUp('2026-03-02', TODAY, inputs, happened);
  const answer = answerFollowUp(asked, packagedRuleBook(TODAY));
  return { answer, changes: planChanges('case/c-1', 'patient/p-1', answer, visits) };
};

test('[FU-11] the words of the plan stand for a case recorded only, each once, without a finding', () => {
  const labels = listLabels(RECORD_ONLY).map(({ label }) => label);

  expect(labels).toContain('Clinic visit');
  expect(new Set(labels).size).toBe(labels.length);
  for (const label of labels) expect(label).not.toMatch(/bleed|varix|flow|coil|adhesive|embol/i);
});

/** Has caught planted bugs: a draft with a status alone; a window that began before today. */
test('[HAZ-43] a visit by hand has owner and day from the start, whoever it is given to', () => {
  expect(handDraft({ ...TOLD, ownerRole: 'booking' }, 'by hand', course).set).toEqual({
    patient: 'patient/p-1',
    case: 'case/c-1',
    label: 'Scope check',
    window: { earliest_on: '2026-06-02', target_on: '2026-06-16', latest_on: '2026-06-30' },
    status: 'planned',
    owner_role: 'booking',
    // follow_up/course: book_ahead_days is 28; 16 June less 28 days.
    act_on: '2026-05-19',
  });
  const soon = handDraft(
    { ...TOLD, targetOn: '2026-03-18', ownerRole: 'clinician' },
    'by hand',
    course,
  );
  expect(soon.set).toMatchObject({
    window: { earliest_on: TODAY, target_on: '2026-03-18', latest_on: '2026-04-01' },
    owner_role: 'clinician',
    act_on: '2026-03-18',
  });
  const nurse = { ...course, role: 'booking' as const };
  expect(() => handDraft({ ...TOLD, ownerRole: 'booking' }, '', nurse)).toThrow('clinician alone');
});

test('[HAZ-13] without a plan every recorded visit is listed; with one those it does not know', () => {
  const planned = record('visit/v-1', {
    plan_visit: 'eus_3m',
    label: 'Scope check with ultrasound',
    status: 'to-book',
    owner_role: 'booking',
    window: { earliest_on: '2026-03-01', target_on: '2026-03-10', latest_on: '2026-03-15' },
  });
  const labels = listLabels(RECORD_ONLY);
  const byHand = added();
  const { answer } = planOf([]);
  const struck = { ...added({ record: 'visit/h-2' }), isEnteredInError: true };

  const without = listRecorded([byHand, struck, planned], null, labels, TODAY);
  expect(without.map(({ visit, state, kind }) => [visit, state, kind])).toEqual([
    ['visit/v-1', 'overdue', 'look'],
    ['visit/h-1', 'planned', 'yearly'],
  ]);
  expect(listRecorded([byHand, planned], answer, labels, TODAY).map((one) => one.visit)).toEqual([
    'visit/h-1',
  ]);
});

test.each([
  ['2026-06-01', 'planned'],
  ['2026-06-02', 'due'],
  ['2026-06-30', 'due'],
  ['2026-07-01', 'overdue'],
])('how a visit by hand stands on %s: %s', (todayOn, state) => {
  expect(listRecorded([added()], null, [], todayOn)[0]?.state).toBe(state);
});

test('[FG2] the next act is the first by its day; what is over, or nobody holds, is none', () => {
  const sooner = added({ record: 'visit/h-2', targetOn: '2026-04-20', ownerRole: 'clinician' });
  const nobodys = withFields(sooner, { owner_role: '' });

  expect(findNextRecorded([added(), sooner])).toMatchObject({ on: '2026-04-20' });
  expect(findNextRecorded([added(), nobodys])).toMatchObject({ on: '2026-05-19' });
  expect(findNextRecorded([withFields(sooner, { status: 'attended' })])).toBeNull();
});

/** Has caught a planted bug: any visit that was not needed counted as the end of follow-up. */
test('[FG5] not needed ends follow-up with the last visit alone; a refusal ends it', () => {
  const [first, last] = [added(), added({ record: 'visit/h-2', targetOn: '2026-09-16' })];
  const over = (visit: typeof first, because: string) =>
    withFields(visit, { status: 'ended', ended_because: because });
  const came = (visit: typeof first) => withFields(visit, { status: 'attended' });

  expect(hasEnded([])).toBe(false);
  expect(hasEnded([over(first, 'not-needed'), last])).toBe(false);
  expect(hasEnded([over(first, 'not-needed'), came(last)])).toBe(false);
  expect(hasEnded([came(first), over(last, 'not-needed')])).toBe(true);
  expect(hasEnded([over(first, 'declined'), came(last)])).toBe(true);
});

/** Has caught a planted bug: a plan made later listed what was added by hand as left out. */
test('a plan made later leaves visits by hand alone, until follow-up ends', () => {
  const byHand = added();
  expect(planOf([byHand]).changes.gone).toEqual([]);

  const died = record('visit/v-1', {
    plan_visit: 'eus_3m',
    status: 'ended',
    ended_because: 'died',
  });
  const history = [{ set: { status: 'ended' }, isStruck: false, wallMs: 0 }];
  const { answer, changes } = planOf([byHand, died], { [died.record]: history });
  expect(answer.ended?.reason).toBe('died');
  expect(changes.gone.map((visit) => visit.record)).toEqual([byHand.record]);
});

/** Has caught a planted bug: a result with its day alone counted as a finding. */
test('[FG7] a look by hand of which nobody noted what it showed is told; a phone call has nothing', () => {
  const linesOf = (label: string) =>
    listRecorded(
      [withFields(added({ label }), { status: 'attended' })],
      null,
      listLabels(RECORD_ONLY),
      TODAY,
    );
  const day = record('visit_result/h-1', { visit: 'visit/h-1', on: TODAY });

  expect(lacksFinding(linesOf('Scope check'), [])).toBe(true);
  expect(lacksFinding(linesOf('Scope check'), [day])).toBe(true);
  const found = withFields(day, { doppler_flow: 'not-seen' });
  expect(lacksFinding(linesOf('Scope check'), [found])).toBe(false);
  expect(lacksFinding(linesOf('Phone call'), [])).toBe(false);
  expect(lacksFinding(listRecorded([added()], null, listLabels(RECORD_ONLY), TODAY), [])).toBe(
    false,
  );
});

test('[FU-13] places where visits were done elsewhere are offered again, each once', () => {
  const done = { status: 'attended', elsewhere: { on: TODAY, place: 'Unit by the sea' } };
  const visits = [record('visit/a', done), record('visit/b', done), added()];

  expect(listPlacesElsewhere(visits)).toEqual(['Unit by the sea']);
});

/** Has caught a planted bug: a key of the answer without a sentence, shown as the key. */
test('[FU14] [FU19] what the answer misses is said in one line each, with what to do', () => {
  const attended = (visit: string, on: string) => ({ visit, on, outcome: 'attended' });
  const { missing } = answerFollowUp(
    {
      plan: 'default',
      index_on: '2025-10-02',
      today_on: TODAY,
      acute_bleed: false,
      conditions: { cirrhosis: true },
      happened: [
        { ...attended('eus_3m', '2026-01-02'), doppler_flow: true },
        attended('treatment_session', '2026-02-01'),
        attended('eus_6m', '2026-03-01'),
      ],
    },
    packagedRuleBook(TODAY),
  );
  const lines = surveillance.missingLines(missing);

  expect(missing).toEqual([
    'conditions.child_class',
    'happened.doppler_flow',
    'happened.retreated',
  ]);
  expect(lines).toEqual([
    expect.stringMatching(/^Child-Pugh class not known.* Enter .* on Workup\.$/),
    expect.stringMatching(/^A look has no finding.* Enter Doppler flow .*\.$/),
    expect.stringMatching(/^Nobody said whether the last session treated.* Enter it .*\.$/),
  ]);
});
