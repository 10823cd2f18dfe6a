import { expect, test } from 'vitest';
import type { DeskPort } from '../desk-questions';
import type {
  NetworkRuleFiles,
  RuleFileAtUnit,
  RuleVersion,
  SentRuleFile,
} from '../network-rule-questions';
import { approvalWords, arrivalWords, countingWords } from '../text/network-protocols';
import { NetworkDraft } from './network-draft.svelte';
import {
  countArrivals,
  isWithdrawnInForce,
  lackingOf,
  NetworkProtocols,
  orderSent,
  partFiles,
} from './network-protocols.svelte';
import { UnitDesk } from './unit-desk.svelte';

type Answers = Record<string, unknown>;

/** A desk at which somebody of a role is logged in. */
async function deskOf(role: string, answers: Answers) {
  const asked: [string, unknown][] = [];
  const port = {
    ask: async (question: string, asks: unknown) => {
      asked.push([question, asks]);
      return { kind: 'told', answer: answers[question] };
    },
  } as unknown as DeskPort;
  const desk = new UnitDesk(port, () => 0, 'hub');
  answers.who = { staff: 'staff/me', name: 'Nell Ashgrove', role, idle_ms: 1_000 };
  await desk.begin();
  asked.length = 0;
  return { asked, desk };
}

const version = (number: number, more: Partial<RuleVersion> = {}): RuleVersion => ({
  version: number,
  standing: number < 1001 ? 'in force' : 'draft',
  approvers: [],
  people_missing: 2,
  needs_endoscopist: true,
  is_own: number >= 1001,
  is_sent: false,
  is_withdrawn: false,
  may_send: false,
  ...more,
});
const FILES: NetworkRuleFiles = {
  files: [
    {
      file: 'sizing/limits',
      title: 'Limits',
      versions: [
        version(1003, { standing: 'in force', may_send: true }),
        version(1002, { approvers: [{ by: 'staff/me', name: 'Nell', role: 'data-manager' }] }),
        version(1001),
        version(2),
      ],
      at_units: [],
    },
    { file: 'stock/default', title: 'Stock', versions: [version(1)], at_units: [] },
  ],
  sent: [],
};
const changesOf = (number: number) => ({
  file: 'sizing/limits',
  version: number,
  against: { version: 2, standing: 'built-in', is_withdrawn: false },
  sentences: ['Soft limit changes from 4 mL to 3 mL.'],
});

async function protocolsOf(role: string) {
  const answers: Answers = {
    'rule-files': FILES,
    'approve-rule-file': FILES,
    'send-rule-file': FILES,
    'withdraw-rule-file': FILES,
  };
  const { asked, desk } = await deskOf(role, answers);
  const protocols = new NetworkProtocols(desk);
  await protocols.asked.load();
  const look = async (number: number) => {
    answers['rule-file-changes'] = changesOf(number);
    await protocols.chooseVersion(number);
  };
  return { answers, asked, desk, protocols, look };
}

test('files that the network wrote itself stand apart from those of the program', () => {
  const { own, program } = partFiles(FILES.files);
  expect([own, program].map((files) => files.map(({ file }) => file))).toEqual([
    ['sizing/limits'],
    ['stock/default'],
  ]);
});

/** Caught: at the hub nobody but a command could approve; a version unread could have been. */
test('[DM-11] [HAZ-10] nothing is approved that was not read, or twice, or by who may not', async () => {
  const { asked, protocols, look } = await protocolsOf('endoscopist');
  protocols.choose('sizing/limits');
  protocols.version = 1001;
  expect([protocols.canApprove, await protocols.approve()]).toEqual([false, false]);

  await look(1002);
  expect([protocols.hasApproved, protocols.canApprove]).toEqual([true, false]);
  await look(2);
  expect(protocols.canApprove).toBe(false);
  await look(1003);
  expect([protocols.canApprove, protocols.canSend]).toEqual([false, false]);
  await look(1001);
  expect(await protocols.approve()).toBe(true);
  expect(asked.slice(-2).map(([question, asks]) => [question, asks])).toEqual([
    ['approve-rule-file', { file: 'sizing/limits', version: 1001 }],
    ['rule-file-changes', { file: 'sizing/limits', version: 1001 }],
  ]);
  const auditor = await protocolsOf('auditor');
  auditor.protocols.choose('sizing/limits');
  await auditor.look(1001);
  expect(auditor.protocols.canApprove).toBe(false);
});

/** Has caught a planted bug: with `version !== null` alone, a version went out that nobody had read. */
test('[DM-11] [HAZ-10] the data manager sends what was read and approved, once', async () => {
  const { asked, protocols, look } = await protocolsOf('data-manager');
  protocols.choose('sizing/limits');
  protocols.version = 1003;
  expect(await protocols.send('Agreed by the network')).toBe(false);
  await look(1001);
  expect(protocols.canSend).toBe(false);

  await look(1003);
  expect(await protocols.send('Agreed by the network')).toBe(true);
  expect(asked.at(-1)).toEqual([
    'send-rule-file',
    { file: 'sizing/limits', version: 1003, because: 'Agreed by the network' },
  ]);
  expect([protocols.file, protocols.version]).toEqual(['', null]);
  expect(await protocols.send('Agreed by the network')).toBe(false);
});

test('[DM-11] who still has to approve is told with "one of them an endoscopist"', () => {
  const of = (people_missing: number, needs_endoscopist: boolean) =>
    version(1001, { people_missing, needs_endoscopist });
  expect(
    [of(2, true), of(1, true), of(1, false), of(0, true), of(0, false)].map(lackingOf),
  ).toEqual(['two', 'one-endoscopist', 'one', 'endoscopist', '']);
  expect(approvalWords(of(2, true))).toBe(
    'Two people still have to approve it, one of them an endoscopist.',
  );
  const approvers = [{ by: 'staff/me', name: 'Nell Ashgrove', role: 'data-manager' }];
  expect(approvalWords({ ...of(1, true), approvers })).toContain('Approved by Nell Ashgrove (');
  expect(approvalWords(version(2))).toBe('');
});

const at = (more: Partial<RuleFileAtUnit>): RuleFileAtUnit => ({
  unit: JSON.stringify(more),
  name: 'Tarn Hollow',
  came_ms: 1,
  answer: 'taken',
  answered_ms: 1,
  here: 'draft',
  since_on: '',
  is_counting: false,
  reported_ms: 2,
  ...more,
});
const sent = (units: RuleFileAtUnit[], more: Partial<SentRuleFile> = {}): SentRuleFile => ({
  record: JSON.stringify(units),
  file: 'sizing/limits',
  version: 1001,
  sent_ms: 1,
  sent_by_name: 'Nell Ashgrove',
  because: 'Agreed',
  is_withdrawn: false,
  withdrawn_ms: null,
  withdrawn_because: '',
  units,
  ...more,
});

/** Caught: the hub said "taken as a draft" of a withdrawn version that was in force at a unit. */
test('[DM-11] [WD9] a withdrawn version is marked where it counts, and nowhere else', () => {
  const units = [
    at({ came_ms: null, answer: 'none', here: null }),
    at({ answer: 'none', here: '' }),
    at({ answer: 'set-aside', here: '' }),
    at({}),
    at({ is_counting: true }),
    at({ here: 'approved', since_on: '2026-12-01' }),
    at({ here: 'in force', since_on: '2026-11-20', is_counting: true }),
    at({ here: 'in force', since_on: '2026-11-20' }),
    at({ here: 'retired', since_on: '2026-11-25' }),
    at({ here: null, is_counting: true }),
    at({ here: null }),
  ];
  const offered = sent(units);
  const withdrawn = sent(units, { is_withdrawn: true });

  expect(units.map((one) => isWithdrawnInForce(offered, one)).some(Boolean)).toBe(false);
  const marked = units.filter((one) => isWithdrawnInForce(withdrawn, one));
  expect(marked).toEqual([units[4], units[5], units[6], units[7], units[9]]);
  for (const one of units) {
    expect(arrivalWords(offered, one)).not.toContain('withdrawn');
    expect(arrivalWords(withdrawn, one).includes('withdrawn')).toBe(marked.includes(one));
  }
  const inForce = arrivalWords(withdrawn, units[6] as RuleFileAtUnit);
  expect(inForce).toMatch(/^withdrawn, and in force there since .*2026/);
  const calm = sent([units[1] as RuleFileAtUnit], { is_withdrawn: true });
  expect(orderSent([calm, withdrawn])[0]).toBe(withdrawn);
});

test('how far a version came is counted by unit', () => {
  const units = [
    at({ came_ms: null, answer: 'none' }),
    at({ answer: 'none' }),
    at({}),
    at({ answer: 'set-aside' }),
  ];
  expect(countArrivals(sent(units))).toEqual({ all: 4, came: 3, taken: 1, aside: 1 });
});

test('which version counts at a unit is told with the age of the report', () => {
  const one = { unit: 'u', name: 'Tarn Hollow', version: 1001, is_training: false, reported_ms: 1 };
  expect(countingWords(one)).toContain('version 1001, told');
  expect(countingWords({ ...one, is_training: true })).toContain('in training');
  expect(countingWords({ ...one, version: null })).toContain('none is in force');
  expect(countingWords({ ...one, reported_ms: null })).toBe('has told nothing yet');
});

/** Caught: a text that was changed after its check could have been laid down. */
test('[DM-11] [WD7] a text is laid down as it was checked, and with faults not at all', async () => {
  const answers: Answers = {
    'rule-file-text': { file: 'sizing/limits', version: 1004, text: '{}', based_on: {} },
    'check-rule-file': { faults: ['Row 1 has no source.'], changes: null },
    'draft-rule-file': FILES,
  };
  const { asked, desk } = await deskOf('data-manager', answers);
  const protocols = new NetworkProtocols(desk);
  const draft = new NetworkDraft(desk, protocols);
  await draft.begin('sizing/limits');
  expect([draft.text, draft.canLay]).toEqual(['{}', false]);
  await draft.check();
  expect([draft.faults?.length, draft.canLay, await draft.lay()]).toEqual([1, false, false]);

  answers['check-rule-file'] = { faults: [], changes: changesOf(1004) };
  await draft.check();
  draft.text = '{"a": 1}';
  expect([draft.canLay, await draft.lay()]).toEqual([false, false]);
  await draft.check();
  answers['rule-file-changes'] = changesOf(1004);
  expect(await draft.lay()).toBe(true);
  expect(asked.filter(([question]) => question === 'draft-rule-file')).toEqual([
    ['draft-rule-file', { text: '{"a": 1}' }],
  ]);
  expect([draft.text, draft.laid?.version, protocols.version]).toEqual(['', 1004, 1004]);
});

test('[WD7] a file that is no text is refused here, another is checked at once', async () => {
  const answers: Answers = { 'check-rule-file': { faults: [], changes: changesOf(1004) } };
  const { asked, desk } = await deskOf('data-manager', answers);
  const draft = new NetworkDraft(desk, new NetworkProtocols(desk));
  for (const bytes of [new Uint8Array([0xff, 0xfe]), new Uint8Array(), new Uint8Array(200_001)]) {
    await draft.load(bytes.buffer);
    expect([draft.isNoText, draft.text]).toEqual([true, '']);
  }
  expect(asked).toEqual([]);
  await draft.load(new TextEncoder().encode('{}').buffer);
  expect([draft.isNoText, draft.canLay, asked.at(-1)]).toEqual([
    false,
    true,
    ['check-rule-file', { text: '{}' }],
  ]);
});
