import { expect, test } from 'vitest';
import {
  countMissing,
  type Figure,
  listFigures,
  showChosen,
  whyNone,
} from '../state/outcome-figures';
import { listKeys } from '../state/outcome-keys';
import { spreadLabels, whyNotDrawn } from '../state/outcome-marks';
import { sampleOutcomes } from '../state/outcome-samples';
import { countsOf, spokenOf } from './outcome-spoken';
import { tableOf } from './outcome-tables';
import { cautionOf, mixFieldOf, mixValueOf, outcomes, titleOf } from './outcomes';

const answer = sampleOutcomes();
const figures = listFigures(answer);
const names = new Map(answer.units.map(({ unit, name }) => [unit, name]));
const unitName = (unit: string) => names.get(unit) ?? unit;
const figure = (kind: Figure['kind']) => {
  const found = figures.find((one) => one.kind === kind);
  if (!found) throw new Error(kind);
  return found;
};

test('each figure that holds something is shown once, in the order of the page', () => {
  expect(figures.map(({ id }) => id)).toEqual([
    'shares',
    'sources',
    'survival-free_of_rebleed',
    'competing',
    'funnel-late_rebleed',
    'sum-u-1-late_rebleed',
    'months',
    'amounts',
  ]);
  const empty = { outcomes: [], sources: [], survival: [], competing: null, funnels: [] };
  expect(listFigures({ ...answer, ...empty, cusums: [], amounts: [], months: [] })).toEqual([]);
});

/** Caught: at a hub "Choose a unit above" led to a sum in the order of moved days. */
test('[OC10] why no CUSUM or funnel is drawn is said under its name, at a hub and at a unit', () => {
  const none = { ...answer, cusums: [], funnels: [] };

  expect(whyNone(none, 'sum', 'hub')).toBe('noSum');
  expect(outcomes.notDrawn.noSum).toMatch(
    /^Not drawn at the hub: it needs the true order of treatment/,
  );
  expect(whyNone(none, 'sum', 'unit')).toBe('noSumOfUnit');
  expect(whyNone(none, 'funnel', 'unit')).toBe('noFunnel');
  expect([whyNone(answer, 'sum', 'unit'), whyNone(answer, 'funnel', 'hub')]).toEqual([null, null]);
  expect(whyNone({ ...none, cases: 0 }, 'sum', 'hub')).toBeNull();
  expect(titleOf(figure('sum'), unitName)).toMatch(/^Risk-adjusted CUSUM/);
});

/** Caught a planted bug: an outcome chosen before, and gone since, left no funnel at all. */
test('one funnel is shown at a time: the chosen one, else the first', () => {
  const [funnel] = answer.funnels;
  if (!funnel) throw new Error('no funnel');
  const two = listFigures({ ...answer, funnels: [funnel, { ...funnel, outcome: 'embolism' }] });
  const shown = (outcome: string) =>
    showChosen(two, { funnel: outcome, sum: '' })
      .filter(({ kind }) => kind === 'funnel')
      .map(({ id }) => id);

  expect(shown('')).toEqual(['funnel-late_rebleed']);
  expect(shown('embolism')).toEqual(['funnel-embolism']);
  expect(shown('death_30_days')).toEqual(['funnel-late_rebleed']);
  expect(showChosen(two, { funnel: '', sum: '' }).length).toBe(figures.length);
});

/** Caught a planted bug: `low ?? 0` said "0 to 18 cases" of a row that was held back. */
test('every figure says its small numbers, that it ranks nothing, and what is missing', () => {
  expect(figures.map(cautionOf)).toEqual([
    'Small numbers. Not a ranking. Missing data: 18 to 58 cases, of some held back.',
    'Small numbers. Not a ranking. Missing data: 7 cases.',
    'Small numbers. Not a ranking. Missing data: 2 cases.',
    'Small numbers. Not a ranking. Missing data: 2 cases.',
    'Small numbers. Not a ranking. Missing data: 3 cases.',
    'Small numbers. Not a ranking. Missing data: 4 cases.',
    'Small numbers. Not a ranking. Missing data: none.',
    'Small numbers. Not a ranking. Missing data: 8 cases, of some held back.',
  ]);
  const held = {
    kind: 'sources',
    id: 's',
    sources: [{ source: 'unknown', happened: null }],
  } as const;
  expect(countMissing(held)).toBeNull();
  expect(cautionOf(held)).toContain('Missing data: held back.');
  const none = { kind: 'sources', id: 's', sources: [{ source: 'other', happened: 9 }] } as const;
  expect(cautionOf(none)).toContain('Missing data: none.');
});

test('what is seen in shares: of how many, how sure, how many missing, and what is held back', () => {
  expect(spokenOf(figure('shares'))).toEqual([
    'Obliteration: 30 of 40 judged, 75 %, 95 % interval 60 to 86 %; 18 missing.',
    'Embolism: held back.',
    'Rebleed within 5 days: nobody judged, 58 missing.',
  ]);
  const beside = countsOf(figure('shares'));
  expect(['obliteration', 'embolism', 'early_rebleed'].map(beside)).toEqual([
    '30 of 40, 75 % (18 missing)',
    'held back',
    'nobody judged (58 missing)',
  ]);
});

/** Caught a planted bug: cases not due yet were added to those missing. */
test('[OC1] cases not due yet stand beside the missing, in no share', () => {
  const [one] = answer.outcomes;
  if (!one) throw new Error('no outcome');
  const later = { kind: 'shares', id: 's', outcomes: [{ ...one, not_due: 12 }] } as const;

  expect(spokenOf(later)).toEqual([
    'Obliteration: 30 of 40 judged, 75 %, 95 % interval 60 to 86 %; 18 missing, 12 not due yet.',
  ]);
  expect(countsOf(later)('obliteration')).toBe('30 of 40, 75 % (18 missing, 12 not due yet)');
  const { columns, rows } = tableOf(later, unitName);
  expect(columns.indexOf('Not due yet')).toBe(5);
  expect(rows[0]).toEqual([
    'Obliteration',
    'All together',
    '30',
    '40',
    '18',
    '12',
    '75 %',
    '60 to 86 %',
  ]);
  expect(cautionOf(later)).toContain('Missing data: 18 cases.');
});

test('what is seen in curves: some days with their band, the last one, who was watched', () => {
  expect(spokenOf(figure('survival'))).toEqual([
    'Alive and without a rebleed, with its 95 % band: day 90: 96 % (86 to 99 %), day 180: 96 % (86 to 99 %), day 270: 70 % (52 to 82 %), day 365: 70 % (52 to 82 %).',
    'Watched: 58 cases at first, on day 360: held back.',
  ]);
  expect(spokenOf(figure('competing'))).toEqual([
    'Rebleed first, with its 95 % band: day 365: 4 % (1 to 12 %).',
    'Death: nothing happened in 365 days.',
  ]);
});

/** Caught, as it was: four deaths held back, and "nothing happened" said of them. */
test('[HAZ-49] of a curve told after several events no point is not said to be no event', () => {
  const [curve] = answer.survival;
  if (!curve) throw new Error('no curve');
  const held = { ...curve, outcome: 'alive', points: [], told_every: 5 };

  expect(spokenOf({ kind: 'survival', id: 's', curve: held })[0]).toBe(
    'Alive: fewer than five events in 365 days; no step is told.',
  );
});

test('[HAZ-49] of a curve told after several events only its own days are said', () => {
  const [curve] = answer.survival;
  if (!curve) throw new Error('no curve');
  const told = { kind: 'survival', id: 's', curve: { ...curve, told_every: 5 } } as const;

  expect(spokenOf(told)[0]).toBe(
    'Alive and without a rebleed, with its 95 % band: day 12: 96 % (86 to 99 %), day 200: 70 % (52 to 82 %).',
  );
  expect(tableOf(told, unitName).rows.slice(0, 4)).toEqual([
    ['0', '100 %', '100 to 100 %', '58'],
    ['12', '96 %', '86 to 99 %', ''],
    ['90', 'held back: told at every fifth event', '', '41'],
    ['180', 'held back: told at every fifth event', '', '30'],
  ]);
  expect(listKeys(told)).toEqual(['told', 'interval', 'heldWatched']);
});

/** Caught a planted bug: the picture's text named the unit that stood outside. */
test('[OC8] what is seen in a funnel names no unit and ranks none', () => {
  const spoken = spokenOf(figure('funnel'));

  expect(spoken).toEqual([
    'All units together: 20 %. Of the units drawn: 1 within the 95 % limits, 0 beyond them, 1 beyond the 99.8 % limits, 1 not judged (not ten cases for certain).',
    'Spread of the judged units: 1.23; near 1 is chance alone.',
  ]);
  const said = [titleOf(figure('funnel'), unitName), ...spoken].join(' ');
  for (const name of names.values()) expect(said).not.toContain(name);
  expect(listKeys(figure('funnel'))).toEqual([
    'within',
    'alarm',
    'not-judged',
    'limit95',
    'limit998',
    'overall',
  ]);
});

/** Caught a planted bug: a unit near a limit counted as one within. */
test('[OC8] a unit of which rounded counts do not say on which side it lies is said apart', () => {
  const { funnel } = figure('funnel') as Extract<Figure, { kind: 'funnel' }>;
  const [first, ...others] = funnel.units;
  if (!first) throw new Error('no unit');
  const units = [{ ...first, standing: 'near-limit' as const }, ...others];
  const near = { kind: 'funnel', id: 'f', funnel: { ...funnel, units } } as const;

  expect(spokenOf(near).slice(0, 2)).toEqual([
    'All units together: 20 %. Of the units drawn: 1 within the 95 % limits, 0 beyond them, 0 beyond the 99.8 % limits, 1 not judged (not ten cases for certain).',
    '1 unit lies near a limit: its rounded counts do not say on which side. Read it at the unit itself.',
  ]);
  expect(listKeys(near).slice(0, 3)).toEqual(['within', 'near-limit', 'not-judged']);
});

test('[OC10] what is seen in a sum: where it stands, its limit, when it was reached, how often by chance', () => {
  expect(spokenOf(figure('sum'))).toEqual([
    'How to read it: the line goes up by a step with each case to which it happened, and down a little with every other case. At the limit more has happened than the risk of the cases explains.',
    'After 3 cases the sum stands at 0.12; the limit is 2.5.',
    'It reached the limit once: case 2, Jan 2026.',
    'Without a cause it would reach the limit once in about 413 cases. Look at the cases before you conclude.',
    'No limit is published for these cases. This one is found by playing runs of such cases in which nothing is wrong; under "What is counted" stands how few of them reach it.',
  ]);
});

test('what is seen in counts and amounts', () => {
  expect(spokenOf(figure('months'))).toEqual([
    '30 cases in 2 months, 0 to 30 a month.',
    '1 month is held back.',
  ]);
  expect(spokenOf(figure('amounts'))).toEqual([
    'Coils: middle case 3, half of the cases 2 to 4; 50 cases, 8 missing.',
    'Pure adhesive, mL: middle case 1.5, half of the cases 1 to 2.25; 50 cases, 8 missing.',
    'Sessions to obliteration: held back.',
  ]);
  const [coils] = answer.amounts;
  if (!coils) throw new Error('no amount');
  const alone = { ...coils, cases: null, missing: null };
  expect(spokenOf({ kind: 'amounts', id: 'a', amounts: [alone] })).toEqual([
    'Coils: middle case 3, half of the cases 2 to 4; how many cases is held back.',
  ]);
});

// --- tables

/** Caught a planted bug: sorted by share, the table was a ranking. */
test('[OC8] units stand in tables by name, never by result', () => {
  expect(tableOf(figure('funnel'), unitName).rows).toEqual([
    ['Alder Bay', '1', '18', '6 %', '3 to 42 %', '0 to 55 %', 'within the limits'],
    ['Marlow Fen', '0', '6', '0 %', '', '', 'not ten cases for certain, not judged'],
    ['Tarn Hollow', '18', '40', '45 %', '8 to 35 %', '2 to 43 %', 'beyond the 99.8 % limits'],
  ]);
});

test('[OC7] [HAZ-49] the table of shares has missing beside happened, held back as such', () => {
  const { columns, rows } = tableOf(figure('shares'), unitName);

  expect(columns).toEqual([
    'Outcome',
    'Unit',
    'Happened',
    'Of judged',
    'Missing',
    'Share',
    '95 % interval',
  ]);
  const held = 'held back';
  expect(rows).toEqual([
    ['Obliteration', 'All together', '30', '40', '18', '75 %', '60 to 86 %'],
    ['Obliteration', 'Alder Bay', held, held, held, held, ''],
    ['Obliteration', 'Tarn Hollow', '22', '29', '11', '76 %', ''],
    ['Embolism', 'All together', held, held, held, held, ''],
    ['Rebleed within 5 days', 'All together', '0', '0', '58', 'nobody judged', ''],
  ]);
});

test('the table of a curve has each of its corners, and who was watched on round days', () => {
  expect(tableOf(figure('survival'), unitName).rows).toEqual([
    ['0', '100 %', '100 to 100 %', '58'],
    ['12', '96 %', '86 to 99 %', ''],
    ['90', '96 %', '86 to 99 %', '41'],
    ['180', '96 %', '86 to 99 %', '30'],
    ['200', '70 %', '52 to 82 %', ''],
    ['270', '70 %', '52 to 82 %', '17'],
    ['360', '70 %', '52 to 82 %', 'held back'],
    ['365', '70 %', '52 to 82 %', ''],
  ]);
});

test('tables of months and sums say nothing for what is not known', () => {
  expect(tableOf(figure('months'), unitName).rows).toEqual([
    ['Jan 2026', '30', '6'],
    ['Feb 2026', '0', '0'],
    ['Mar 2026', 'held back', 'held back'],
  ]);
  expect(tableOf(figure('sum'), unitName).rows.map((row) => row.at(-1))).toEqual([
    'below',
    'reached',
    'below',
  ]);
});

test('each table has a cell for each of its columns', () => {
  for (const one of figures) {
    const { columns, rows } = tableOf(one, unitName);
    expect(rows.map((row) => row.length)).toEqual(rows.map(() => columns.length));
    expect(rows.length).toBeGreaterThan(0);
  }
});

test('fields of the case mix are named, and nothing recorded is said to be so', () => {
  expect([mixFieldOf('child_class'), mixFieldOf('varix_class')]).toEqual([
    'Child-Pugh class',
    'Varix class',
  ]);
  expect([mixValueOf('varix_class', 'GOV1+GOV2'), mixValueOf('varix_class', '')]).toEqual([
    'GOV1 + GOV2',
    'not recorded',
  ]);
  expect([mixValueOf('size_band', '10-to-20-mm'), mixValueOf('technique', 'none')]).toEqual([
    '10 to 20 mm',
    'neither',
  ]);
  expect(mixValueOf('shunt', 'none')).toBe('None seen');
});

/** Caught, as it was: a picture with limits "0 to 0 %" around two units that nobody could judge. */
test('[OC8] a funnel in which no unit can be judged is told in a sentence, without limits', () => {
  const [funnel] = answer.funnels;
  if (!funnel) throw new Error('no funnel');
  const units = funnel.units.map((one) => ({ ...one, standing: 'not-judged' as const }));
  const few = { kind: 'funnel', id: 'f', funnel: { ...funnel, units } } as const;
  const flat = { kind: 'funnel', id: 'f', funnel: { ...funnel, overall: 0 } } as const;

  expect([whyNotDrawn(funnel), whyNotDrawn(few.funnel), whyNotDrawn(flat.funnel)]).toEqual([
    null,
    'few',
    'flat',
  ]);
  expect(spokenOf(few)).toEqual([
    'No unit has ten cases judged for certain: none is held against limits, and no picture is drawn. The table says how often it happened.',
  ]);
  expect(spokenOf(flat)[0]).toMatch(/^All units together: 0 %\. Around that there are no limits/);
  for (const one of [few, flat]) {
    expect(listKeys(one)).toEqual([]);
    expect(tableOf(one, unitName).rows[0]).toEqual(['Alder Bay', '1', '18', '6 %', '', '', '']);
  }
});

/** Caught, as it was: labels of a funnel lay on each other where a rate was low. */
test('labels at one edge stand apart in the order of what they name', () => {
  expect(spreadLabels([100, 50, 10], 19)).toEqual([100, 50, 10]);
  const [overall = 0, alert = 0, alarm = 0] = spreadLabels([300, 296, 295], 19);
  expect([alert - alarm, overall - alert]).toEqual([19, 19]);
  expect(spreadLabels([], 19)).toEqual([]);
});

/** Caught, as it was: windows and cases stood side by side under one word, and were added up. */
test('[OC17] windows are counted as windows, and who has none as cases', () => {
  const [one] = answer.outcomes;
  if (!one) throw new Error('no outcome');
  const windows = { ...one, outcome: 'seen_in_window', counted: 'windows' as const, not_due: 0 };
  const told = { kind: 'shares', id: 's', outcomes: [windows] } as const;

  expect(spokenOf(told)).toEqual([
    'Windows of follow-up that were kept: 30 of 40 windows that have closed, 75 %, 95 % interval 60 to 86 %. A case may have several; 18 cases have none yet.',
  ]);
  expect(countsOf(told)('seen_in_window')).toBe(
    '30 of 40 windows, 75 % (18 cases without a closed window)',
  );
  expect(tableOf(told, unitName).rows[0]?.slice(2, 6)).toEqual([
    '30 windows',
    '40 windows',
    '18 cases without one',
    '',
  ]);
  // No case without a window moves the share of windows.
  expect(listKeys(told)).toEqual(['share', 'interval']);
});
