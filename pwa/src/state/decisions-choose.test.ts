import { expect, test } from 'vitest';
import { actingRoleOf } from './course-role';
import { mayChoose, settleDraft } from './decisions-draft';
import { visit } from './worklist-samples';

// A desk that may choose every answer turned this red.
test('[HAZ-45] of two answers on a visit a clinician alone chooses the end', () => {
  expect(mayChoose('visit', 'status', 'ended', 'clinician')).toBe(true);
  expect(mayChoose('visit', 'status', 'ended', 'booking')).toBe(false);
  expect(mayChoose('visit', 'status', 'booked', 'booking')).toBe(true);
  expect(mayChoose('visit', 'ended_because', 'died', 'booking')).toBe(true);
});

/** Has caught a planted bug: whoever tapped on a bedside tablet was a clinician. */
test('[HAZ-45] a clinician on a bedside device acts as one; a nurse there and anybody at a desk not', () => {
  const acts = (role: 'bedside' | 'booking' | null, whoTapsRole: string) =>
    actingRoleOf({ standing: role && { role }, whoTapsRole });

  expect(acts('bedside', 'endoscopist')).toBe('clinician');
  expect(acts('bedside', 'anaesthetist')).toBe('clinician');
  expect(acts('bedside', 'nurse')).toBe('booking');
  expect(acts('bedside', '')).toBe('booking');
  expect(acts('booking', 'endoscopist')).toBe('booking');
  expect(acts(null, 'endoscopist')).toBe('booking');
});

/** Has caught a planted bug: a booked visit kept "died" from the answer that was not chosen. */
test('[CV6] [CF2] a visit that goes on by what was chosen keeps no reason of an end', () => {
  const two = visit('a', { status: 'ended', ended_because: 'died' });
  const settled = (chosen: string) =>
    settleDraft(two.record, 'status', chosen, ['x', 'y'], 'Asked the patient', two);

  expect(settled('booked')).toMatchObject({
    set: { status: 'booked', ended_because: null },
    over: { status: ['x', 'y'], ended_because: ['tab.e1.1#00'] },
  });
  expect(settled('ended').set).toEqual({ status: 'ended' });
  const open = visit('a', { status: 'booked' });
  expect(settleDraft(open.record, 'status', 'booked', ['x'], '', open).set).toEqual({
    status: 'booked',
  });
});
