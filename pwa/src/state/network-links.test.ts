import { expect, test } from 'vitest';
import type { DeskPort } from '../desk-questions';
import type { NetworkLink } from '../network-questions';
import {
  allTraits,
  isDenied,
  isOpen,
  NetworkLinks,
  needsBothUnits,
  partersOf,
  percentOf,
  turnOf,
  voicesOf,
  weightOf,
} from './network-links.svelte';
import { UnitDesk } from './unit-desk.svelte';

const side = (unit: string) => ({
  patient: `registry_patient/${unit}`,
  unit,
  unit_name: unit,
  birth_year: 1957,
  sex: 'female',
  cases: 1,
});
const LINK: NetworkLink = {
  link: 'network_link/1',
  state: 'proposed',
  probability_per_mille: 968,
  traits: [{ trait: 'names', level: 'alike' }],
  a: side('tarn'),
  b: side('marlow'),
  answers: [],
  agreed: [],
  weighing: {
    weights: 'encoded_weights',
    version: 1,
    others: 5_000,
    elsewhere_per_mille: 100,
    start_tenths: -156,
    fields: [{ trait: 'names', level: 'alike', tenths: 121 }],
    sum_tenths: -35,
    per_mille: 81,
    is_sure: false,
    shown_from_tenths: -20,
    shown_from_per_mille: 200,
    identifiers: ['names'],
    identifiers_needed: 2,
  },
  parting: [],
  may_agree: true,
  may_part: false,
  may_take_back: false,
  may_reopen: false,
  history: [],
};
const IDA = { staff: 'staff/ida', name: 'Ida Norrwood', at_ms: 5, because: '' };

function deskOf(answers: Record<string, unknown>) {
  const asked: [string, unknown][] = [];
  const port = {
    ask: async (question: string, asks: unknown) => {
      asked.push([question, asks]);
      const answer = answers[question];
      return typeof answer === 'string'
        ? { kind: 'not-told', sentence: answer }
        : { kind: 'told', answer };
    },
  } as unknown as DeskPort;
  return { asked, answers, desk: new UnitDesk(port, () => 0, 'hub') };
}

/** Has caught a planted bug: without `may_agree`, whoever had agreed was offered to join alone. */
test('[HAZ-41] two persons agree; who has agreed is offered nothing more', () => {
  expect(turnOf(LINK)).toBe('first');
  expect(turnOf({ ...LINK, agreed: [IDA] })).toBe('second');
  expect(turnOf({ ...LINK, agreed: [IDA], may_agree: false })).toBe('agreed-before');
  expect(turnOf({ ...LINK, state: 'joined', agreed: [IDA, IDA] })).toBe('joined');
  expect(turnOf({ ...LINK, state: 'parted', may_reopen: true })).toBe('parted');
});

/** Caught, as it was: one person parted a joined pair, and nothing told a second one of it. */
test('[HAZ-41] [NL3] two people part; one voice is shown to the second and leaves the pair joined', () => {
  const joined = { ...LINK, state: 'joined' as const, agreed: [IDA], may_part: true };

  expect([turnOf(joined), isOpen(joined)]).toEqual(['joined', false]);
  const asked = { ...joined, parting: [IDA] };
  expect([turnOf(asked), isOpen(asked), partersOf(asked)]).toEqual([
    'part-second',
    true,
    ['Ida Norrwood'],
  ]);
  expect(turnOf({ ...asked, may_part: false })).toBe('part-asked');
  expect(turnOf({ ...LINK, state: 'parted', parting: [IDA, IDA] })).toBe('parted-by-unit');
});

test('a pair that one person would part is counted as open, and no more once the word is taken back', async () => {
  const joined = { ...LINK, state: 'joined' as const };
  const { desk, answers } = deskOf({
    links: { open: 0, more: false, links: [joined], findings: [] },
    'link-act': { link: { ...joined, parting: [IDA] } },
  });
  const links = new NetworkLinks(desk);
  links.look('joined');
  await links.asked.load();

  await links.act(LINK.link, 'part', 'joined-in-error');
  expect(links.asked.told?.open).toBe(1);
  answers['link-act'] = { link: joined };
  await links.act(LINK.link, 'take-back');
  expect(links.asked.told?.open).toBe(0);
});

/** Has caught a planted bug: with the people alone counted, a press that joined was told as a first one. */
test('[HAZ-41] a unit that says so is one of the two: the next press joins, and says that it does', () => {
  const answer = { unit: 'tarn', unit_name: 'Tarn Hollow', answer: 'same' as const, at_ms: 1 };
  const told = { ...LINK, answers: [answer, { ...answer, answer: 'cannot-tell' as const }] };

  expect([turnOf(told), voicesOf(told)]).toEqual(['second', ['Tarn Hollow']]);
  expect(turnOf({ ...told, agreed: [IDA], may_agree: false })).toBe('agreed-before');
  expect(turnOf({ ...LINK, answers: [{ ...answer, answer: 'cannot-tell' }] })).toBe('first');
});

test('[HAZ-41] a unit that says they are two is seen before anybody agrees', () => {
  const answer = { unit: 'tarn', unit_name: 'Tarn Hollow', at_ms: 1 };
  expect(isDenied({ ...LINK, answers: [{ ...answer, answer: 'same' }] })).toBe(false);
  expect(isDenied({ ...LINK, answers: [{ ...answer, answer: 'not-same' }] })).toBe(true);
});

test('every trait stands in one order; what was not compared is not known, never left out', () => {
  const told = [
    { trait: 'sex', level: 'the same' },
    { trait: 'shoe size', level: 'near' },
    { trait: 'day of birth', level: 'the same year' },
  ];

  expect(allTraits(told)).toEqual([
    { trait: 'names', level: '' },
    { trait: 'day of birth', level: 'the same year' },
    { trait: 'sex', level: 'the same' },
    { trait: 'national-number', level: '' },
    { trait: 'shoe size', level: 'near' },
  ]);
  expect(
    ['the same', 'alike', 'near', 'the same year', 'unlike', '', 'else'].map(weightOf),
  ).toEqual(['same', 'close', 'close', 'close', 'against', 'unknown', 'unknown']);
});

test('a likeness is never told as certain', () => {
  expect([0, 4, 5, 14, 15, 968, 994, 995, 1_000].map(percentOf)).toEqual([
    1, 1, 1, 1, 2, 97, 99, 99, 99,
  ]);
});

test('an act shows the link as it stands then, and a joined one is open no more', async () => {
  const joined = { ...LINK, state: 'joined' as const };
  const other = { ...LINK, link: 'network_link/2' };
  const { desk, asked } = deskOf({
    links: { open: 2, more: false, links: [LINK, other], findings: [] },
    'link-act': { link: joined },
  });
  const links = new NetworkLinks(desk);
  await links.asked.load();

  expect(await links.act(LINK.link, 'agree')).toBe(true);
  expect(links.asked.told?.links).toEqual([joined, other]);
  expect(links.asked.told?.open).toBe(1);
  expect(asked).toEqual([
    ['links', { state: 'proposed' }],
    ['link-act', { link: LINK.link, act: 'agree', because: '' }],
  ]);
  links.look('joined');
  expect(links.asked.told).toBeNull();
  await links.asked.load();
  expect(asked.at(-1)).toEqual(['links', { state: 'joined' }]);
});

test('a refused act changes nothing on screen', async () => {
  const { desk } = deskOf({
    links: { open: 1, more: false, links: [LINK], findings: [] },
    'link-act': 'Another person has to agree.',
  });
  const links = new NetworkLinks(desk);
  await links.asked.load();

  expect(await links.act(LINK.link, 'agree')).toBe(false);
  expect([links.asked.told?.links, desk.notTold]).toEqual([[LINK], 'Another person has to agree.']);
});

/** Has caught a planted bug: the word of one unit was enough. */
test('[HAZ-42] [NL2] two national numbers wait for the word of both units', () => {
  const twins = { ...LINK, traits: [{ trait: 'national number', level: 'unlike' }] };
  const says = (unit: string, answer: 'same' | 'cannot-tell') => ({
    unit,
    unit_name: unit,
    answer,
    at_ms: 1,
  });

  expect(needsBothUnits(LINK)).toBe(false);
  expect(needsBothUnits(twins)).toBe(true);
  const one = [says('tarn', 'same'), says('marlow', 'cannot-tell')];
  expect(needsBothUnits({ ...twins, answers: one })).toBe(true);
  const both = [says('tarn', 'same'), says('marlow', 'same')];
  expect(needsBothUnits({ ...twins, answers: both })).toBe(false);
});
