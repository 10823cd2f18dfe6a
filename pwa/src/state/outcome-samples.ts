/** Invented counts for looking at figures and testing their words; no unit has them. */
import type { OutcomesAnswer } from '../outcome-answers';

const defined = { definition: 'D.', source: 'S.' };

/** Return an answer of the hub in which every figure has something to draw. */
export function sampleOutcomes(): OutcomesAnswer {
  return {
    as_of_ms: 1_764_000_000_000,
    from_on: '',
    until_on: '',
    cases: 58,
    cautions: ['shifted-dates'],
    units: [
      { unit: 'u-2', name: 'Alder Bay', cases: 18 },
      { unit: 'u-1', name: 'Tarn Hollow', cases: 40 },
      { unit: 'u-3', name: 'Marlow Fen', cases: null },
    ],
    mixes: [{ field: 'varix_class', values: ['GOV2', ''] }],
    outcomes: [
      {
        ...defined,
        outcome: 'obliteration',
        group: 'success',
        basis: 'published',
        happened: 30,
        judged: 40,
        missing: 18,
        low: 0.598,
        high: 0.858,
        suppressed: false,
        by_unit: [
          { unit: 'u-1', happened: 22, judged: 29, missing: 11, suppressed: false },
          { unit: 'u-2', happened: null, judged: null, missing: null, suppressed: true },
        ],
      },
      {
        ...defined,
        outcome: 'embolism',
        group: 'harm',
        basis: 'unit-setting',
        happened: null,
        judged: null,
        missing: null,
        low: null,
        high: null,
        suppressed: true,
        by_unit: [],
      },
      {
        ...defined,
        outcome: 'early_rebleed',
        group: 'bleeding',
        basis: 'from-memory',
        happened: 0,
        judged: 0,
        missing: 58,
        low: null,
        high: null,
        suppressed: false,
        by_unit: [],
      },
    ],
    sources: [
      { source: 'gastric-varix', happened: 6 },
      { source: 'unknown', happened: 7 },
      { source: 'other', happened: null },
    ],
    survival: [
      {
        ...defined,
        outcome: 'free_of_rebleed',
        cases: 58,
        missing: 2,
        until_day: 365,
        points: [
          { day: 12, share: 0.96, low: 0.86, high: 0.99 },
          { day: 200, share: 0.7, low: 0.52, high: 0.82 },
        ],
        at_risk: [
          { day: 0, cases: 58 },
          { day: 90, cases: 41 },
          { day: 180, cases: 30 },
          { day: 270, cases: 17 },
          { day: 360, cases: null },
        ],
      },
    ],
    competing: {
      ...defined,
      cases: 58,
      missing: 2,
      until_day: 365,
      at_risk: [{ day: 0, cases: 58 }],
      causes: [
        { cause: 'rebleed', points: [{ day: 12, share: 0.04, low: 0.01, high: 0.12 }] },
        { cause: 'death', points: [] },
      ],
    },
    funnels: [
      {
        ...defined,
        outcome: 'late_rebleed',
        overall: 0.2,
        missing: 3,
        dispersion: 1.234,
        limits: [
          { cases: 18, low998: 0, low95: 0.03, high95: 0.42, high998: 0.55 },
          { cases: 40, low998: 0.02, low95: 0.08, high95: 0.35, high998: 0.43 },
        ],
        units: [
          {
            unit: 'u-1',
            happened: 18,
            cases: 40,
            share: 0.45,
            standing: 'alarm-high',
            suppressed: false,
          },
          {
            unit: 'u-2',
            happened: 1,
            cases: 18,
            share: 0.0556,
            standing: 'within',
            suppressed: false,
          },
          {
            unit: 'u-3',
            happened: 0,
            cases: 6,
            share: 0,
            standing: 'not-judged',
            suppressed: false,
          },
        ],
      },
    ],
    cusums: [
      {
        ...defined,
        unit: 'u-1',
        outcome: 'late_rebleed',
        missing: 4,
        limit: 2.5,
        run_length: 412.6,
        points: [
          { number: 1, month: '2026-01', value: 0.6, is_signal: false },
          { number: 2, month: '2026-01', value: 2.6, is_signal: true },
          { number: 3, month: '2026-03', value: 0.123, is_signal: false },
        ],
      },
    ],
    amounts: [
      { ...defined, amount: 'coils', cases: 50, missing: 8, median: 3, low: 2, high: 4 },
      {
        ...defined,
        amount: 'adhesive_ul',
        cases: 50,
        missing: 8,
        median: 1500,
        low: 1000,
        high: 2250,
      },
      {
        ...defined,
        amount: 'sessions',
        cases: null,
        missing: null,
        median: null,
        low: null,
        high: null,
      },
    ],
    months: [
      { month: '2026-01', cases: 30, happened: { late_rebleed: 6 } },
      { month: '2026-03', cases: null, happened: { late_rebleed: null } },
    ],
  };
}
