/** Published and derived figures for sizing, adhesive, geometry and follow-up; sources in the file. */
import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { addInterval } from './civil-date';
import { answerFollowUp } from './follow-up';
import { ellipsoidUl, leavesTipUl, lumenUl, packingPerMille } from './geometry';
import { packagedRuleBook, readPackagedRuleFiles } from './packaged-rule-files';
import { answerSizing } from './sizing';
import { followProtocol, NO_ROUND, readProtocol, type StepEvent } from './step-protocol';

interface Check {
  id: string;
  inputs: never[];
  expected: unknown;
  tolerance: number;
  source: string;
}

const file = new URL('../../../tests/conformance/clinical_checks_sizing.json', import.meta.url);
const checks = JSON.parse(readFileSync(file, 'utf8')) as Check[];
const book = packagedRuleBook('2026-06-01');
const coil35 = { wire_um: 889, length_um: 140_000 };
const um = (mm: number) => Math.round(mm * 1000);

function size(mm: number, rest: object = {}) {
  const target = { label: 'A', short_axis_um: um(mm), origin: 'measured', ...rest };
  const needle = { gauge: 19, stop_step_um: 1000 };
  const [sized] = answerSizing({ targets: [target], needle }, book).targets;
  if (sized === undefined) throw new Error('no target');
  return sized;
}

function coilsOf(mm: number) {
  const { coils } = size(mm);
  if (!('picks' in coils)) throw new Error('no coils');
  return coils;
}

function needlesFor(inch: number): string {
  const wire = Math.round(inch * 25_400);
  const coil = { id: 'c', loop_um: 12_000, wire_um: wire, length_um: 1, count: 1 };
  // Lumens of 0.94 and 0.56 mm: typical, from memory.
  const passes = [940, 560].map((lumen) => {
    const needle = { gauge: 19, inner_diameter_um: lumen };
    return answerSizing({ targets: [], needle, coils_in_stock: [coil] }, book).needle.passes.c;
  });
  return passes[1] ? '22G or larger' : passes[0] ? '19G' : 'none';
}

function fractionOf([adhesive, oil]: [number, number]): number {
  const plan = answerSizing(
    {
      targets: [],
      adhesive: {
        agent: 'n-butyl-2-cyanoacrylate',
        parts_adhesive: Math.round(adhesive * 10),
        parts_oil: Math.round(oil * 10),
        planned_ul: 1_000_000,
      },
    },
    book,
  ).adhesive;
  return Number(plan?.pure_ul) / Number(plan?.mix_ul);
}

function hasLiverUltrasound(word: string): boolean {
  const conditions = {
    cirrhosis: true,
    child_class: word[0],
    transplant_listed: word.endsWith('listed'),
  };
  const dates = { index_on: '2026-03-01', today_on: '2026-03-01' };
  const request = { plan: 'default', acute_bleed: false, ...dates, conditions };
  return answerFollowUp(request, book).visits.some(({ visit }) => visit === 'liver_us');
}

function gateAt(isSeen: boolean): string {
  const steps = readProtocol(book);
  const here = { ...NO_ROUND, target: 'A', puncture: 1 };
  const done = (step: string, round = NO_ROUND): StepEvent => ({
    step,
    round,
    outcome: 'done',
    move: null,
  });
  const before = steps.slice(
    0,
    steps.findIndex(({ loop }) => loop !== null),
  );
  const events = [
    ...before.map(({ id }) => done(id)),
    ...steps.filter(({ loop }) => loop === 'puncture').map(({ id }) => done(id, here)),
  ];
  const last = events.pop();
  if (last) events.push({ ...last, outcome: isSeen ? 'done' : 'not-seen' });
  const target = { label: 'A', wantsAdhesive: true, coilsPlanned: 0 };
  const { gates } = followProtocol(steps, [target], events);
  return gates.some(({ level }) => level === 'hard') ? 'blocked' : 'open';
}

const band = ([mm]: number[]) => coilsOf(mm ?? 0).loop_band_um.map((bound) => bound / 1000);
const count = ([mm]: number[]) => [coilsOf(mm ?? 0).from, coilsOf(mm ?? 0).to];
const lumen = ([bore, length]: number[]) => lumenUl(um(bore ?? 0), um(length ?? 0)) / 1000;
const plug = (ml: number[]) => {
  const [given = 0, flush = 0, dead = 0] = ml.map(um);
  return leavesTipUl(given, flush, dead) / 1000;
};
const pack = (coils: number, axes: [number, number, number]) =>
  packingPerMille(Array(coils).fill(coil35), axes) / 10;

const run: Record<string, (inputs: never[]) => unknown> = {
  'EUS-01': band,
  'EUS-02': band,
  'EUS-04': (inches: number[]) => inches.map(needlesFor),
  'EUS-07': count,
  'EUS-08': count,
  'EUS-10': count,
  'EUS-11': count,
  'EUS-16': ([isSeen]: boolean[]) => gateAt(isSeen === true),
  'EUS-17': ([mm]: number[]) =>
    Number(size(10, { measured_distance_um: um(mm ?? 0) }).needle_stop_um) / 1000,
  'ADH-01': plug,
  'ADH-02': plug,
  'ADH-04': plug,
  'ADH-05': plug,
  'ADH-07': (ratios: [number, number][]) => ratios.map(fractionOf),
  'GEO-01': lumen,
  'GEO-02': lumen,
  'GEO-04': lumen,
  'GEO-05': lumen,
  'GEO-07': lumen,
  'GEO-08': lumen,
  'GEO-14': ([a = 0, b = 0, c = 0]: number[]) => ellipsoidUl(um(a), um(b), um(c)) / 1000,
  'GEO-16': ([coils = 0]: number[]) => pack(coils, [20_000, 15_000, 12_000]),
  'GEO-17': ([coils = 0]: number[]) => pack(coils, [20_000, 20_000, 20_000]),
  'FU-01': ([on = '']: string[]) => addInterval(on, 3, 0),
  'FU-02': ([on = '']: string[]) => addInterval(on, 1, 0),
  'FU-04': ([on = '']: string[]) => addInterval(on, 0, 42),
  'FU-07': (words: string[]) => words.map(hasLiverUltrasound),
  'FU-08': () => {
    const plan = JSON.parse(readPackagedRuleFiles()['follow_up/default.v1.json'] ?? '{}');
    return plan.rows.find(({ visit }: { visit: string }) => visit === 'liver_us').repeat_months;
  },
};

test('every copied check is run', () => {
  expect(Object.keys(run).sort()).toEqual(checks.map(({ id }) => id).sort());
});

test.each(checks)('$id ($source)', ({ id, inputs, expected, tolerance }) => {
  const found = run[id]?.(inputs);
  // Per mille are whole: packing is compared within one half of a thousandth.
  const within = id === 'GEO-16' || id === 'GEO-17' ? 0.05 : tolerance;
  const [numbers, wanted] = [[found].flat(), [expected].flat()];
  expect(numbers).toHaveLength(wanted.length);
  wanted.forEach((one, place) => {
    if (typeof one === 'number') {
      expect(Math.abs(Number(numbers[place]) - one)).toBeLessThanOrEqual(within + 1e-12);
    } else expect(numbers[place]).toEqual(one);
  });
});
