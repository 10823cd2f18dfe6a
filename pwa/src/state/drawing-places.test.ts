/** What lies around the varix: the crus on the needle's way and the feeder beside. Rules DR. */
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import { absentText, drawingText } from '../text/drawing';
import type { Detail, Drawing } from './drawing-page';
import { crusOf, feederOf } from './drawing-places';
import type { Shape } from './drawing-shapes';
import { drawTarget } from './target-drawing';
import type { TargetSketch } from './target-sketch';

/** Near wall at 16 mm, 14 mm to the far one, through 6 mm of muscle; a feeder of 5 mm. */
const FULL: TargetSketch = {
  label: 'Varix A',
  origin: 'measured',
  disputed: [],
  shortUm: 14_000,
  longUm: 22_000,
  thirdUm: null,
  middleUm: 23_000,
  nearUm: 16_000,
  farUm: 30_000,
  route: 'transoesophageal',
  crusUm: 6_000,
  feederSeen: 'seen',
  feederUm: 5_000,
  plannedStopUm: 21_000,
  stopUm: null,
  plannedLoopsUm: [],
  placedLoopsUm: [],
  discardedLoopsUm: [],
  mixInjectedUl: 0,
  mixOutUl: null,
  needle: null,
};
type Of<K extends Shape['kind']> = Extract<Shape, { kind: K }>;
const on = (drawn: Drawing | null, layer: string) =>
  (drawn?.shapes ?? []).filter((shape) => shape.layer === layer);
const draw = (sketch: Partial<TargetSketch>, detail: Detail = 'near') =>
  drawTarget({ ...FULL, ...sketch }, detail);
const bands = (drawn: Drawing | null) => on(drawn, 'crus') as Of<'box'>[];

describe('the crus', () => {
  test('[DR14] is a band of its thickness that ends at the near wall', () => {
    const [band] = bands(draw({}));

    expect([band?.x, band?.width]).toEqual([10_000, 6_000]);
    expect(bands(draw({}, 'far'))).toHaveLength(1);
    expect(draw({}, 'far')?.labels.map(({ text }) => text)).toContain('Crus 6 mm');
  });

  test.each<[string, Partial<TargetSketch>, number]>([
    ['the middle', { nearUm: null, farUm: null }, 10_000],
    ['the far wall', { nearUm: null, middleUm: null, farUm: 31_000 }, 11_000],
  ])(
    '[DR14] without a near wall it ends where the short axis begins, told by %s',
    (_, sketch, from) => {
      expect(crusOf({ ...FULL, ...sketch })).toEqual({ from, to: from + 6_000 });
    },
  );

  /** Planted: the thickness added to the lengths from the needle tip. */
  test('[DR14] adds nothing: walls, middle and stop stand where they stood without it', () => {
    const rest = (drawn: Drawing | null) =>
      (drawn?.shapes ?? []).filter(({ layer }) => !['crus', 'measure'].includes(layer));

    expect(rest(draw({ feederUm: null }))).toEqual(rest(draw({ crusUm: null, feederUm: null })));
  });

  test.each<[Partial<TargetSketch>, string]>([
    [{ crusUm: null }, 'Crus not entered.'],
    [{ crusUm: 0 }, 'Crus not entered.'],
    [{ crusUm: null, route: 'transgastric' }, 'Transgastric route: no crus.'],
    [{ route: 'transgastric' }, 'Crus on transgastric route: enter again.'],
    [{ nearUm: null, middleUm: null }, 'Crus not drawn: enter near wall.'],
    [{ nearUm: null, middleUm: 23_000, shortUm: null }, 'Crus not drawn: enter near wall.'],
    [{ crusUm: 16_001 }, 'Crus exceeds near wall: measure again.'],
  ])('[DR15] %j: not drawn, and said', (sketch, sentence) => {
    const without = { ...FULL, farUm: null, ...sketch };

    expect(bands(drawTarget(without, 'near'))).toEqual([]);
    expect(absentText(without)).toEqual([sentence]);
  });

  test('[DR15] as thick as the whole way it is drawn from the needle tip on', () => {
    expect(crusOf({ ...FULL, crusUm: 15_999 })).toEqual({ from: 1, to: 16_000 });
    expect(crusOf({ ...FULL, crusUm: 16_000 })).toEqual({ from: 0, to: 16_000 });
    expect(crusOf({ ...FULL, crusUm: 16_001 })).toBe('tooThick');
  });

  /** Planted: a band laid in the middle of the way, and one cut off at the needle tip. */
  test('[DR1, DR15] for any numbers it is as thick as entered, behind the tip, at the wall', () => {
    const um = fc.option(fc.integer({ min: 0, max: 60_000 }), { nil: null });
    const places = fc.record({ nearUm: um, middleUm: um, farUm: um, shortUm: um, crusUm: um });
    fc.assert(
      fc.property(places, (sketch) => {
        const drawn = draw(sketch);
        for (const band of bands(drawn)) {
          expect(band.width).toBe(sketch.crusUm);
          expect(band.x).toBeGreaterThanOrEqual(0);
          if (sketch.nearUm !== null) expect(band.x + band.width).toBe(sketch.nearUm);
          const varix = on(drawn, 'varix').find((one) => one.kind === 'ellipse');
          if (varix?.kind === 'ellipse' && sketch.nearUm === null) {
            expect(band.x + band.width).toBe(varix.cx - varix.rx);
          }
        }
        const isSaid = absentText({ ...FULL, ...sketch }).some((text) => text.startsWith('Crus'));
        expect(bands(drawn).length === 1).toBe(!isSaid);
      }),
      { numRuns: 500 },
    );
  });
});

describe('the feeder', () => {
  test('[DR16] is a piece of vessel as wide as its diameter, apart from the varix', () => {
    const drawn = draw({});
    const [one, other] = on(drawn, 'feeder') as Of<'line'>[];
    const [varix] = on(drawn, 'varix') as Of<'ellipse'>[];

    expect((other?.y1 ?? 0) - (one?.y1 ?? 0)).toBe(5_000);
    expect(one?.y1).toBeGreaterThan((varix?.cy ?? 0) + (varix?.ry ?? 0));
    expect(on(draw({}, 'far'), 'feeder')).toEqual([]);
  });

  test('[DR16] is drawn where nothing else was entered', () => {
    const nothing = { ...FULL, crusUm: null, plannedStopUm: null, middleUm: null };
    const alone = { ...nothing, shortUm: null, longUm: null, nearUm: null, farUm: null };

    expect(on(drawTarget(alone, 'near'), 'feeder')).toHaveLength(2);
    expect(drawTarget(alone, 'far')).toBeNull();
    expect(drawTarget({ ...alone, feederUm: null }, 'near')).toBeNull();
  });

  test.each<[Partial<TargetSketch>, string]>([
    [{ feederSeen: '', feederUm: null }, 'Feeder not entered.'],
    [{ feederSeen: 'not-seen', feederUm: null }, 'Feeder not seen.'],
    [{ feederSeen: 'not-looked-for', feederUm: null }, 'Feeder not looked for.'],
    [{ feederUm: null }, 'Feeder seen, diameter not entered.'],
    [{ feederUm: 0 }, 'Feeder seen, diameter not entered.'],
    [{ feederSeen: 'not-seen' }, 'Feeder measured, not seen: enter again.'],
  ])('[DR16] %j: not drawn, and said', (sketch, sentence) => {
    expect(feederOf({ ...FULL, ...sketch })).toBeTypeOf('string');
    expect(on(draw(sketch), 'feeder')).toEqual([]);
    expect(absentText({ ...FULL, ...sketch })).toEqual([sentence]);
  });
});

test('[DR13] both are said with their numbers, and on screen with them', () => {
  expect(drawingText(FULL).join(' ')).toContain(
    'Crus 6 mm, drawn up to the near wall; the distances include it. ' +
      'Feeder 5 mm wide; where it enters is not recorded.',
  );
  expect(draw({})?.labels.map(({ text }) => text)).toEqual(
    expect.arrayContaining(['Crus 6 mm', 'Feeder 5 mm']),
  );
});

test('[UX-19] no reason has more than six words', () => {
  const crus = [
    { crusUm: null },
    { route: 'transgastric' as const },
    { route: 'transgastric' as const, crusUm: null },
    { nearUm: null, middleUm: null, farUm: null },
    { crusUm: 99_000 },
  ];
  const texts = crus.flatMap((sketch) =>
    absentText({ ...FULL, feederSeen: 'not-seen', ...sketch }),
  );

  expect(new Set(texts).size).toBe(crus.length + 1);
  for (const text of texts) expect(text.split(' ').length).toBeLessThanOrEqual(6);
});
