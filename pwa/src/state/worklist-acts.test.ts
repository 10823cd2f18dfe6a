import { expect, test } from 'vitest';
import { addDays } from '../clinical-rules/civil-date';
import { readPackagedRuleFiles } from '../clinical-rules/packaged-rule-files';
import { RuleBook } from '../clinical-rules/rule-book';
import {
  attemptDraft,
  bookDraft,
  cancelDraft,
  decideDraft,
  elsewhereDraft,
  endDraft,
  escalateDraft,
  firstAct,
  giveDraft,
  noShowDraft,
  offerActs,
  reopenDraft,
} from './worklist-acts';
import { readListLimits } from './worklist-course';
import {
  bookedOn,
  clerk,
  clinician,
  entry,
  LATER_STAMP,
  rowOfVisit,
  session,
  TODAY,
  visit,
  windowAround,
} from './worklist-samples';
import { offerSessions } from './worklist-sessions';

const offersTo = (one: Parameters<typeof rowOfVisit>[0], role: 'booking' | 'clinician') =>
  [...offerActs(rowOfVisit(one), role, TODAY)].sort();

test('[MG2] booking replaces what was on screen and nothing else', () => {
  const one = visit('a', {});
  const [offer] = offerSessions(
    rowOfVisit(one),
    [session('s', '2026-03-17', ['scope'])],
    [],
    TODAY,
  );
  if (!offer) throw new Error('no offer');

  const draft = bookDraft(one, offer, '', clerk);

  expect(draft.set).toEqual({
    booking: { session: 'clinic_session/s', on: '2026-03-17', time: '09:00' },
    status: 'booked',
    act_on: '2026-03-17',
  });
  expect(draft.over).toEqual({ status: ['tab.e1.1#00'] });
  expect(bookDraft(one, offer, '', clerk).draftId).toBe(draft.draftId);
});

test('[FU-07] one try pressed twice is one try', () => {
  const one = visit('a', {});
  const tried = { how: 'phone', result: 'left-word', at: '2026-03-16T09:00:00Z', nextOn: '' };

  const [a, b] = [attemptDraft('t1', one, tried), attemptDraft('t1', one, tried)];

  expect(a.draftId).toBe(b.draftId);
  expect(a.record).toBe('contact_attempt/t1');
  expect(a.set).not.toHaveProperty('next_try_on');
  const next = attemptDraft('t1', one, { ...tried, nextOn: '2026-03-19' });
  expect(next.set?.next_try_on).toBe('2026-03-19');
});

test('[FU-04] a cancelled booking says who cancelled, and why, and until when it is rebooked', () => {
  const draft = cancelDraft(visit('a', bookedOn(TODAY)), 'unit', 'Staff away', clerk);

  expect(draft.set).toEqual({
    status: 'cancelled',
    cancelled_by: 'unit',
    act_on: '2026-03-23',
  });
  expect(draft.because).toBe('Staff away');
});

test('[CV3] a clinician opens again what took place or ended, a desk does not', () => {
  const ended = visit('a', { status: 'ended', ended_because: 'declined' });
  const came = visit('b', { status: 'attended', owner_role: 'clinician' });
  const rowOf = (one: typeof ended) => ({ ...rowOfVisit(visit('x', {})), visit: one });

  for (const one of [ended, came]) {
    expect(offerActs(rowOf(one), 'clinician', TODAY)).toContain('reopen');
    expect(offerActs(rowOf(one), 'booking', TODAY)).not.toContain('reopen');
  }
  expect(reopenDraft(ended, 'Noted in error', clinician)).toMatchObject({
    set: { status: 'to-book', ended_because: null },
    because: 'Noted in error',
  });
  expect(() => reopenDraft(ended, 'Noted in error', clerk)).toThrow('for a clinician alone');
});

test('[CV10] an end settles two answers on how the visit stands', () => {
  const two = visit('a', bookedOn(TODAY));
  const [held] = two.fields.status?.values ?? [];
  if (held === undefined) throw new Error('no status');
  const other = { ...held, value: 'no-show', references: ['desk.e1.1#01'] };
  two.fields.status = { isConflict: true, values: [other, held] };

  const draft = endDraft(two, 'died', clinician);

  expect(draft.set).toEqual({
    status: 'ended',
    ended_because: 'died',
    owner_role: 'clinician',
    act_on: null,
  });
  expect(draft.over?.status).toEqual(['desk.e1.1#01', 'tab.e1.1#00']);
});

// A desk that books on any day turned this red.
test('[CV9] a desk books nobody later than 14 days past the window, a clinician does', () => {
  const one = visit('a', {});
  const sessions = ['2026-04-06', '2026-04-07'].map((on) => session(on, on, ['scope']));
  const [last, late] = offerSessions(rowOfVisit(one), sessions, [], TODAY);
  if (!last || !late) throw new Error('no offer');

  expect(bookDraft(one, last, 'No room', clerk).set).toMatchObject({ act_on: '2026-04-06' });
  expect(() => bookDraft(one, late, 'No room', clerk)).toThrow('escalate the visit');
  expect(bookDraft(one, late, 'No room', clinician).set).toMatchObject({ owner_role: 'clinician' });
});

test('[FU-13] done elsewhere keeps the day and the place, and a clinician notes what it showed', () => {
  const draft = elsewhereDraft(visit('a', {}), '2026-03-12', 'Another hospital', clerk);

  expect(draft.set).toEqual({
    status: 'attended',
    elsewhere: { on: '2026-03-12', place: 'Another hospital' },
    owner_role: 'clinician',
    act_on: '2026-03-23',
  });
});

test.each([
  [0, 1],
  [1, 2],
  [2, 3],
])('[HAZ-43] a miss at urgency %i makes it %i', (urgency, after) => {
  const missed = visit('a', { ...bookedOn(TODAY), urgency });

  expect(noShowDraft(missed, [], 'Forgot', clerk).set?.urgency).toBe(after);
});

test('[HAZ-43] at its most urgent a visit stays so, and is still missed', () => {
  const missed = visit('a', { ...bookedOn(TODAY), urgency: 3 });

  expect(noShowDraft(missed, [], 'Forgot', clerk).set).toEqual({
    status: 'no-show',
    act_on: '2026-03-23',
  });
});

test('[FU-05] a visit given to a colleague keeps whose turn it is, and until when', () => {
  const far = visit('a', { act_on: '2026-04-30' });

  expect(giveDraft(visit('a', {}), 'staff/b', 'away', clerk).set).toEqual({
    owner: 'staff/b',
    act_on: TODAY,
  });
  expect(giveDraft(far, 'staff/b', 'away', clerk).set).toEqual({ owner: 'staff/b' });
});

test('[FU-05] who acts at a desk holds the visit, where nobody did; a clinician is no desk', () => {
  const desk = { ...clerk, who: 'staff/cass' };
  const [free, held] = [{}, { owner: 'staff/b' }].map((owner) =>
    visit('a', { ...bookedOn(TODAY), ...owner }),
  );
  if (!free || !held) throw new Error('no visit');
  const ownerAfter = (one: typeof free, course: typeof desk) =>
    cancelDraft(one, 'patient', 'Unwell', course).set?.owner;

  expect(ownerAfter(free, desk)).toBe('staff/cass');
  expect(ownerAfter(held, desk)).toBeUndefined();
  expect(ownerAfter(free, { ...clinician, who: 'staff/wren' })).toBeUndefined();
  // The second miss: a clinician's, of whom nobody is named yet.
  const twice = noShowDraft(held, [entry({ status: 'no-show' }, '0')], 'Forgot', desk);
  expect(twice.set).toMatchObject({ owner_role: 'clinician', owner: null });
});

test('[FU-06] a clinician is asked, and gives it back with a reason', () => {
  expect(escalateDraft(visit('a', {}), 'Nobody answers', clerk).set).toEqual({
    owner_role: 'clinician',
    act_on: '2026-03-18',
  });
  const asked = visit('a', { owner_role: 'clinician' }, LATER_STAMP);
  const decided = decideDraft(asked, 'Keep trying', clinician);
  expect(decided.set).toEqual({ owner_role: 'booking', act_on: '2026-03-23' });
  expect(decided.because).toBe('Keep trying');
  expect(() => decideDraft(asked, 'Keep trying', clerk)).toThrow('A clinician holds this visit');
});

/** Has caught a planted bug: acts offered without asking the table of the course. */
test('[HAZ-45] a booking role is never offered to end a course, nor to decide for a clinician', () => {
  const some = [
    visit('a', {}),
    visit('a', bookedOn(TODAY)),
    visit('a', { status: 'no-show' }),
    visit('a', { status: 'cancelled', owner_role: 'clinician' }),
  ];

  for (const one of some) {
    const [clerk, clinician] = [offersTo(one, 'booking'), offersTo(one, 'clinician')];
    expect(clerk).not.toContain('end');
    expect(clerk).not.toContain('decide');
    expect(clinician).toContain('end');
  }
});

// A dark button on whatever books turned this red.
test('[FU-06] where a clinician acts next the act offered first is no booking', () => {
  const first = (one: ReturnType<typeof visit>, role: 'booking' | 'clinician') => {
    const row = rowOfVisit(one);
    return firstAct(row, offerActs(row, role, TODAY));
  };
  const missedCall = visit('a', {
    label: 'Phone call',
    status: 'no-show',
    owner_role: 'clinician',
  });
  const tooLate = visit('a', { window: windowAround(addDays(TODAY, -22)) });
  const far = visit('a', { owner_role: 'clinician', window: windowAround(addDays(TODAY, 60)) });

  expect([first(visit('a', {}), 'booking'), first(visit('a', {}), 'clinician')]).toEqual([
    'book',
    'book',
  ]);
  for (const one of [missedCall, tooLate]) {
    expect([first(one, 'booking'), first(one, 'clinician')]).toEqual([null, 'decide']);
  }
  expect([first(far, 'booking'), first(far, 'clinician')]).toEqual([null, 'book']);
});

test('[FU-03] what is offered follows from where the visit stands', () => {
  expect(offersTo(visit('a', {}), 'booking')).toEqual(['book', 'clinician', 'elsewhere', 'give']);
  expect(offersTo(visit('a', bookedOn('2026-03-17')), 'booking')).toEqual([
    'cancel',
    'clinician',
    'elsewhere',
    'give',
    'move',
  ]);
  expect(offersTo(visit('a', bookedOn(TODAY)), 'booking')).toEqual([
    'came',
    'cancel',
    'clinician',
    'elsewhere',
    'give',
    'move',
    'no-show',
  ]);
  expect(offersTo(visit('a', { owner_role: 'clinician' }), 'clinician')).toContain('decide');
});

test('[HAZ-43] without the limits in force the list goes on with those of the app, and says why', () => {
  const { 'follow_up/course.v1.json': _, ...files } = readPackagedRuleFiles();
  const listing = JSON.parse(files['in_force.json'] ?? '');
  listing.in_force = listing.in_force.filter(
    ({ name }: { name: string }) => name !== 'follow_up/course',
  );
  const older = new RuleBook({ ...files, 'in_force.json': JSON.stringify(listing) }, TODAY);

  const { limitOf, problem } = readListLimits(older, TODAY);

  expect(limitOf('late_days_to_clinician')).toBe(14);
  expect(problem).toContain('follow_up/course');
  expect(readListLimits(clerk.ruleBook, TODAY).problem).toBe('');
});
