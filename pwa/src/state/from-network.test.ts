import { expect, test } from 'vitest';
import { GROUPS } from '../clinical-rules/implant-search';
import type {
  IncomingLink,
  IncomingRecall,
  IncomingRuleFile,
  RecalledImplant,
} from '../network-here-questions';
import { fileStanding, proposalStanding, withdrawnWords } from '../text/from-network';
import {
  byGroup,
  byPatient,
  dueAct,
  fileActs,
  groupedDigits,
  hidesNames,
  isNotHeeded,
  isRecalled,
  isWithdrawnAndHeld,
  mayAnswer,
  mayClose,
  orderFiles,
  orderNotices,
  orderProposals,
  piecesOf,
} from './from-network';
import { DESK_ROLES } from './unit-desk-people.svelte';

const notice = (id: string, more: Partial<IncomingRecall> = {}): IncomingRecall => ({
  notice: id,
  state: 'in-force',
  item: 'coil',
  criteria: { lots: ['L-0417'] },
  reason: 'Sheath may crack.',
  issued_on: '2026-11-03',
  came_ms: 1,
  answer: 'none',
  answered_ms: null,
  sentence: '',
  found: null,
  rows: [],
  shelf: [],
  ...more,
});

/** Has caught a planted bug: with the booking desk in the list, names of proposals were asked for it. */
test('[SEC-24] names of patients are shown to those who treat and to the data manager alone', () => {
  const withNames = DESK_ROLES.filter((role) => piecesOf(role).includes('links'));
  expect(withNames).toEqual(['endoscopist', 'data-manager']);
  expect(DESK_ROLES.filter((role) => piecesOf(role).includes('recalls'))).toEqual([
    'endoscopist',
    'assistant',
    'data-manager',
    'unit-admin',
  ]);
  expect(piecesOf('booking')).toEqual([]);
  expect(piecesOf('training')).toEqual([]);
});

test('[HAZ-41] a clinician alone says whether two are one; who reads only is offered no answer', () => {
  expect(DESK_ROLES.filter((role) => mayAnswer(role, 'links'))).toEqual(['endoscopist']);
  expect(DESK_ROLES.filter((role) => mayAnswer(role, 'recalls'))).toEqual([
    'endoscopist',
    'data-manager',
    'unit-admin',
  ]);
  expect(DESK_ROLES.filter((role) => mayAnswer(role, 'line'))).toEqual([]);
});

/** Caught: the unit administrator, who sees no patient, was offered to close a notice. */
test('[HAZ-46] [SEC-24] who is shown no names is offered no closing', () => {
  expect(DESK_ROLES.filter(mayClose)).toEqual(['endoscopist', 'data-manager']);
});

test('[HAZ-46] notices that nobody has acknowledged stand first, withdrawn ones last', () => {
  const notices = [
    notice('gone', { state: 'withdrawn' }),
    notice('closed', { answer: 'closed' }),
    notice('searched', { answer: 'searched' }),
    notice('old', { issued_on: '2026-10-01' }),
    notice('new'),
  ];

  expect(orderNotices(notices).map((one) => one.notice)).toEqual([
    'new',
    'old',
    'searched',
    'closed',
    'gone',
  ]);
  expect(notices.map(dueAct)).toEqual(['', '', 'close', 'acknowledge', 'acknowledge']);
});

/** Has caught a planted bug: a closed notice that tablets do not heed was over, with nothing to do. */
test('[HAZ-46] [NL7] a notice that no tablet heeds stands first and is heeded again, not closed', () => {
  const notices = [
    notice('closed', { answer: 'closed' }),
    notice('searched', { answer: 'searched' }),
    notice('not heeded', { answer: 'closed', is_withdrawn_here: true }),
    notice('gone', { state: 'withdrawn', is_withdrawn_here: true }),
    notice('told', { answer: 'not-heeded', is_withdrawn_here: true, issued_on: '2026-10-01' }),
    notice('heeded since', { answer: 'not-heeded', issued_on: '2026-09-01' }),
  ];

  expect(orderNotices(notices).map((one) => one.notice)).toEqual([
    'not heeded',
    'told',
    'heeded since',
    'searched',
    'closed',
    'gone',
  ]);
  expect(notices.map(dueAct)).toEqual(['', 'close', 'heed', '', 'heed', 'acknowledge']);
  expect(notices.map(isNotHeeded)).toEqual([false, false, true, false, true, false]);
});

/** Has caught a planted bug: to whom no names are shown "nobody is found" was told. */
test('[HAZ-46] who sees no names is told that there are some', () => {
  const found = { cases: 0, patients: 0, surely: 0, unknown_lots: 1, on_shelf: 0 };
  expect(hidesNames(notice('a', { found }))).toBe(true);
  expect(hidesNames(notice('a', { found: { ...found, unknown_lots: 0, on_shelf: 2 } }))).toBe(
    false,
  );
  expect(hidesNames(notice('a'))).toBe(false);
});

/** Has caught a planted bug: gathered by number alone, two people without one became one. */
test('[HAZ-46] what is found stands patient by patient; two without a number stay two', () => {
  const row = (name: string, number: string, of: string, lot: string): RecalledImplant => ({
    group: 'same',
    differs: [],
    record: 'coil_placed/1',
    item: 'coil',
    fate: '',
    marks: [],
    lot,
    serial: '',
    expires_on: '',
    on_day: '2026-03-01',
    number,
    name,
    born_on: '1957-08-03',
    case: of,
  });
  const rows = [
    row('Odette Marrowick', 'MF-1', 'case/1', 'L-1'),
    row('', '', 'case/2', 'L-1'),
    row('Odette Marrowick', 'MF-1', 'case/3', 'L-2'),
    row('', '', 'case/4', 'L-1'),
  ];

  expect(byPatient(rows).map(({ name, implants }) => [name, implants.length])).toEqual([
    ['Odette Marrowick', 2],
    ['', 1],
    ['', 1],
  ]);
});

/** Has caught a planted bug: with "near" among them, other lots were told to be taken out of use. */
test('[HAZ-46] this lot stands before near ones, and only it is taken from the shelf', () => {
  const row = (group: RecalledImplant['group'], number: string) => ({ group, number }) as never;
  const groups = byGroup([
    row('near', '1'),
    row('unknown', '2'),
    row('same', '3'),
    row('same', '1'),
  ]);
  expect(groups.map(({ group, patients }) => [group, patients.length])).toEqual([
    ['same', 2],
    ['near', 1],
    ['unknown', 1],
  ]);
  const lot = { stock: '', name: '', lot: '', expires_on: '', count: 1 };
  expect(GROUPS.filter((group) => isRecalled({ ...lot, group }))).toEqual(['same', 'alike']);
});

test('proposals that wait for an answer stand first, the likeliest before the others', () => {
  const link = (
    proposal: string,
    answer: IncomingLink['answer'],
    likely: number,
  ): IncomingLink => ({
    proposal,
    state: 'proposed',
    other_unit_name: 'Marlow Fen',
    probability_per_mille: likely,
    traits: [],
    own: null,
    answer,
    answered_ms: null,
  });
  const proposals = [link('a', 'same', 999), link('b', '', 700), link('c', '', 900)];
  expect(orderProposals(proposals).map((one) => one.proposal)).toEqual(['c', 'b', 'a']);
});

const file = (proposal: string, came_ms: number, more: Partial<IncomingRuleFile> = {}) => ({
  proposal,
  file: 'gates/default',
  version: 2,
  came_ms,
  because: '',
  sentences: [],
  against: { version: 1, standing: 'in force' as const, is_withdrawn: false },
  standing: 'new' as const,
  ...more,
});

test('rule files that nobody has decided about stand first, then the newest', () => {
  const files = [file('a', 9, { standing: 'taken' }), file('b', 1), file('c', 5)];
  expect(orderFiles(files).map((one) => one.proposal)).toEqual(['c', 'b', 'a']);
});

/** Has caught a planted bug: what counts here stood behind what was new, as "taken" and no more. */
test('[HAZ-10] [WD5] what the network withdrew and stands here is before all else, with why', () => {
  const taken = {
    standing: 'taken',
    is_withdrawn: true,
    withdrawn_because: 'Wrong by ten.',
  } as const;
  const files = [
    file('new', 9),
    file('retired', 8, { ...taken, here: 'retired' }),
    file('old', 1, { ...taken, here: 'in force' }),
    file('draft', 2, { ...taken, here: 'draft' }),
    file('theirs', 3, { ...taken, standing: 'withdrawn', here: '' }),
  ];

  expect(orderFiles(files).map((one) => one.proposal)).toEqual([
    'draft',
    'old',
    'new',
    'retired',
    'theirs',
  ]);
  expect(files.map(isWithdrawnAndHeld)).toEqual([false, false, true, true, false]);
  expect(files.map(withdrawnWords)).toEqual([
    '',
    'The network has withdrawn this version: Wrong by ten.',
    'The network has withdrawn this version: Wrong by ten. It is in force here: read why, then retire it.',
    'The network has withdrawn this version: Wrong by ten. It lies here as a draft: do not approve it before you know why.',
    'The network has withdrawn this version: Wrong by ten.',
  ]);
});

/** Has caught a planted bug: the word of before was told as if it counted. */
test('[HAZ-42] [NL2] a unit whose word no longer counts is told that it is asked anew', () => {
  const link = { state: 'proposed', answer: '', answered_ms: null } as unknown as IncomingLink;
  expect(proposalStanding({ ...link, is_asked_anew: true })).toMatch(/^Asked anew/);
  expect(proposalStanding(link)).toMatch(/^Nobody here has answered/);
});

test('six digits stand in two groups; anything else as it came', () => {
  const line = { digits: '123456' } as Parameters<typeof groupedDigits>[0];
  expect(groupedDigits(line)).toBe('123 456');
  expect(groupedDigits({ ...line, digits: '' })).toBe('');
});

/** Planted bug that it caught: a version that the network had withdrawn was offered for approval. */
test('[DM-11] [WD5] what may be done with a proposed file follows from where it stands', () => {
  const taken = { standing: 'taken' } as const;
  const at = (more: Partial<IncomingRuleFile>) => fileActs(file('one', 1, more));

  expect(at({})).toEqual(['take', 'set-aside']);
  expect(at({ ...taken, here: 'draft' })).toEqual(['approve']);
  expect(at({ ...taken, here: 'draft', is_withdrawn: true })).toEqual([]);
  expect(at({ ...taken, here: 'approved' })).toEqual(['retire']);
  expect(at({ ...taken, here: 'in force', is_withdrawn: true })).toEqual(['retire']);
  expect(at({ ...taken, here: 'retired' })).toEqual([]);
  expect(at({ standing: 'set-aside' })).toEqual([]);
  expect(fileStanding(file('one', 1, { ...taken, here: 'in force' }))).toBe('In force here.');
  expect(fileStanding(file('one', 1, taken))).toBe('Taken as a draft.');
});
