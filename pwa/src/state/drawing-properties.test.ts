/** What holds of a drawing for any numbers; the examples stand in `target-drawing.test.ts`. */
import fc from 'fast-check';
import { describe, expect, test } from 'vitest';
import type { Detail, Drawing } from './drawing-page';
import { LAYERS, type Shape } from './drawing-shapes';
import { drawTarget } from './target-drawing';
import type { TargetSketch } from './target-sketch';

type Of<K extends Shape['kind']> = Extract<Shape, { kind: K }>;
const on = (drawn: Drawing | null, layer: string, look?: string) =>
  (drawn?.shapes ?? []).filter(
    (shape) => shape.layer === layer && (look === undefined || shape.look === look),
  );
const textsOf = (drawn: Drawing) => drawn.labels.map(({ text }) => text);

const lengths = fc.option(fc.integer({ min: 0, max: 150_000 }), { nil: null });
const amounts = fc.integer({ min: 0, max: 20_000 });
const sketches = fc.record<TargetSketch>({
  label: fc.constant('Varix A'),
  origin: fc.constantFrom('', 'measured', 'measured-on-image', 'estimated', 'earlier-record'),
  disputed: fc.constant([]),
  shortUm: lengths,
  longUm: lengths,
  thirdUm: lengths,
  middleUm: lengths,
  nearUm: lengths,
  farUm: lengths,
  route: fc.constantFrom('', 'transoesophageal', 'transgastric'),
  crusUm: lengths,
  feederSeen: fc.constantFrom('', 'seen', 'not-seen', 'not-looked-for'),
  feederUm: lengths,
  plannedStopUm: lengths,
  stopUm: lengths,
  plannedLoopsUm: fc.array(fc.integer({ min: 1, max: 60_000 }), { maxLength: 5 }),
  placedLoopsUm: fc.array(lengths, { maxLength: 8 }),
  discardedLoopsUm: fc.array(lengths, { maxLength: 4 }),
  mixInjectedUl: amounts,
  mixOutUl: fc.option(amounts, { nil: null }),
  needle: fc.option(
    fc.array(
      fc.record({
        liquid: fc.constantFrom('mix' as const, 'flush' as const, 'other' as const),
        amountUl: fc.integer({ min: 1, max: 3_000 }),
      }),
      { minLength: 1, maxLength: 4 },
    ),
    { nil: null },
  ),
});
const details = fc.constantFrom<Detail>('near', 'far');

/** Corners of a shape, told here once more so that a wrong `roomOf` is seen. */
function cornersOf(shape: Shape): [number, number][] {
  if (shape.kind === 'line') {
    return [
      [shape.x1, shape.y1],
      [shape.x2, shape.y2],
    ];
  }
  if (shape.kind === 'box') {
    return [
      [shape.x, shape.y],
      [shape.x + shape.width, shape.y + shape.height],
    ];
  }
  const [rx, ry] = shape.kind === 'arc' ? [shape.r, shape.r] : [shape.rx, shape.ry];
  return [
    [shape.cx - rx, shape.cy - ry],
    [shape.cx + rx, shape.cy + ry],
  ];
}

describe('for any numbers', () => {
  /** Planted: labels left out of the page's room; a long axis text then stood outside. */
  test('[DR12] nothing lies outside the view box, in whole micrometres', () => {
    fc.assert(
      fc.property(sketches, details, (sketch, detail) => {
        const drawn = drawTarget(sketch, detail);
        if (drawn === null) return;
        const { x, y, width, height } = drawn.viewBox;
        const isInside = (px: number, py: number) =>
          px >= x && px <= x + width && py >= y && py <= y + height;
        const corners = drawn.shapes.flatMap(cornersOf);
        const outside = drawn.labels.filter((label) => {
          // Half a font's size a letter is less than the bold letters of a text need.
          const wide = label.text.length * drawn.fontUm * 0.5;
          const left = label.anchor === 'start' ? label.x : label.x - wide / 2;
          return !isInside(left, label.y - drawn.fontUm) || !isInside(left + wide, label.y);
        });

        expect(corners.filter(([px, py]) => !isInside(px, py))).toEqual([]);
        expect(corners.flat().every(Number.isInteger)).toBe(true);
        expect(outside).toEqual([]);
        expect([x, y, width, height].every(Number.isInteger)).toBe(true);
      }),
      { numRuns: 1_000 },
    );
  });

  /** Planted: the shapes left as they came, unsorted. */
  test('[DR12] shapes come in the order of their layers', () => {
    fc.assert(
      fc.property(sketches, details, (sketch, detail) => {
        const layers = (drawTarget(sketch, detail)?.shapes ?? []).map(({ layer }) =>
          LAYERS.indexOf(layer),
        );

        expect(layers).toEqual([...layers].sort((a, b) => a - b));
      }),
    );
  });

  /** Planted: `ry` taken of the short axis, and a scale bar of twice its number. */
  test('[DR1] every length is drawn as long as it is, on both axes, and so is the scale bar', () => {
    fc.assert(
      fc.property(sketches, details, (sketch, detail) => {
        const drawn = drawTarget(sketch, detail);
        if (drawn === null) return;
        const { shortUm, longUm, placedLoopsUm, plannedLoopsUm } = sketch;
        for (const varix of on(drawn, 'varix') as Of<'ellipse' | 'arc'>[]) {
          if (varix.kind === 'arc') continue;
          expect(Math.abs(2 * varix.rx - (shortUm ?? 0))).toBeLessThanOrEqual(1);
          expect(Math.abs(2 * varix.ry - (longUm ?? 0))).toBeLessThanOrEqual(1);
        }
        const rings = [...on(drawn, 'coil', 'placed'), ...on(drawn, 'coil', 'planned')]
          .filter((ring): ring is Of<'ellipse'> => ring.kind === 'ellipse')
          .map(({ rx, ry }) => [rx, ry]);
        const loops = [...placedLoopsUm, ...plannedLoopsUm].filter((um): um is number => !!um);
        expect(rings).toEqual(loops.map((um) => [Math.round(um / 2), Math.round(um / 2)]));
        const [bar] = on(drawn, 'measure', 'scale') as Of<'line'>[];
        expect(textsOf(drawn).at(-1)).toBe(`Scale ${((bar?.x2 ?? 0) - (bar?.x1 ?? 0)) / 1_000} mm`);
      }),
      { numRuns: 500 },
    );
  });

  /** Planted: coils without a loop left out. */
  test('[DR6] as many coils are drawn as stand in the record', () => {
    fc.assert(
      fc.property(sketches, details, (sketch, detail) => {
        const drawn = drawTarget(sketch, detail);

        expect(on(drawn, 'coil', 'placed')).toHaveLength(sketch.placedLoopsUm.length);
        expect(on(drawn, 'coil', 'planned')).toHaveLength(sketch.plannedLoopsUm.length);
      }),
    );
  });

  /** Planted: the share of the ellipsoid without its cap, and without the injected amount. */
  test('[DR9] the adhesive drawn is within the outline and no more than was injected', () => {
    fc.assert(
      fc.property(sketches, details, (sketch, detail) => {
        const [mix] = on(drawTarget(sketch, detail), 'liquid', 'mix') as Of<'ellipse'>[];
        if (mix === undefined) return;
        const short = sketch.shortUm || sketch.longUm || 0;
        const long = sketch.longUm || short;
        const third = sketch.thirdUm || short;
        const ul =
          ((Math.PI / 6) * (2 * mix.rx) * (2 * mix.ry) * third * ((2 * mix.rx) / short)) / 1e9;

        expect(2 * mix.rx).toBeLessThanOrEqual(short);
        expect(2 * mix.ry).toBeLessThanOrEqual(long);
        expect(ul).toBeLessThanOrEqual(sketch.mixInjectedUl * (1 + 1e-9));
      }),
      { numRuns: 500 },
    );
  });

  /** Planted: `null` read as 0 in the lengths from the tip. */
  test('[DR2] every number written is one that was entered, held or the scale', () => {
    fc.assert(
      fc.property(sketches, (sketch) => {
        const drawn = drawTarget(sketch, 'near');
        if (drawn === null) return;
        const entered = [
          sketch.shortUm,
          sketch.longUm,
          sketch.middleUm,
          sketch.nearUm,
          sketch.farUm,
          sketch.plannedStopUm,
          sketch.stopUm,
          sketch.crusUm,
          sketch.feederUm,
        ].filter((um) => um !== null);
        const written = textsOf(drawn)
          .slice(0, -1)
          .filter((text) => !text.startsWith('Mix'))
          .flatMap((text) => [...text.matchAll(/([\d.]+) mm/g)].map(([, mm]) => Number(mm)));

        expect(written.filter((mm) => !entered.includes(Math.round(mm * 1_000)))).toEqual([]);
        expect(written).not.toContain(0);
      }),
    );
  });
});
