import { describe, expect, test } from 'vitest';
import { drawingText, drawing as words } from '../text/drawing';
import type { Detail, Drawing } from './drawing-page';
import type { Shape } from './drawing-shapes';
import { drawTarget } from './target-drawing';
import { partOfSketch, type TargetSketch } from './target-sketch';

const NOTHING: TargetSketch = {
  label: 'Varix A',
  origin: '',
  disputed: [],
  shortUm: null,
  longUm: null,
  thirdUm: null,
  middleUm: null,
  nearUm: null,
  farUm: null,
  route: '',
  crusUm: null,
  feederSeen: '',
  feederUm: null,
  plannedStopUm: null,
  stopUm: null,
  plannedLoopsUm: [],
  placedLoopsUm: [],
  discardedLoopsUm: [],
  mixInjectedUl: 0,
  mixOutUl: null,
  needle: null,
};
/** 14 x 22 mm, middle at 23 mm, stop at 21 mm: the sum that a person does at the bedside. */
const FULL: TargetSketch = {
  ...NOTHING,
  origin: 'measured',
  shortUm: 14_000,
  longUm: 22_000,
  middleUm: 23_000,
  nearUm: 16_000,
  farUm: 30_000,
  plannedStopUm: 21_000,
  plannedLoopsUm: [18_000],
  placedLoopsUm: [18_000],
  discardedLoopsUm: [20_000],
  mixInjectedUl: 1_000,
  mixOutUl: 600,
  needle: [
    { liquid: 'flush', amountUl: 600 },
    { liquid: 'mix', amountUl: 400 },
  ],
};

function draw(sketch: Partial<TargetSketch>, detail: Detail = 'near'): Drawing {
  const drawn = drawTarget({ ...NOTHING, ...sketch }, detail);
  if (drawn === null) throw new Error('nothing drawn');
  return drawn;
}
const on = (drawn: Drawing | null, layer: string, look?: string) =>
  (drawn?.shapes ?? []).filter(
    (shape) => shape.layer === layer && (look === undefined || shape.look === look),
  );
type Of<K extends Shape['kind']> = Extract<Shape, { kind: K }>;
const only = <K extends Shape['kind']>(found: Shape[], kind: K): Of<K> => {
  const [shape, ...more] = found.filter((one): one is Of<K> => one.kind === kind);
  if (shape === undefined || more.length > 0) throw new Error(`${found.length} of ${kind}`);
  return shape;
};
const textsOf = (drawn: Drawing) => drawn.labels.map(({ text }) => text);

describe('what is drawn', () => {
  test('[DR2] nothing without a number, not even a needle', () => {
    expect(drawTarget(NOTHING, 'near')).toBeNull();
    expect(
      drawTarget({ ...NOTHING, shortUm: 0, mixInjectedUl: 500, mixOutUl: 500 }, 'near'),
    ).toBeNull();
  });

  test('[DR2] a size alone has no needle, wall or stop', () => {
    const drawn = draw({ shortUm: 14_000, longUm: 22_000, origin: 'measured' });

    for (const layer of ['needle', 'wall', 'stop', 'coil', 'liquid']) {
      expect(on(drawn, layer)).toEqual([]);
    }
  });

  test('[DR3] the ellipse is as wide as the short axis and as high as the long one', () => {
    const { rx, ry } = only(on(draw(FULL), 'varix', 'measured'), 'ellipse');

    expect([2 * rx, 2 * ry]).toEqual([14_000, 22_000]);
  });

  test.each([
    [{ shortUm: 14_000 }, 'short'],
    [{ longUm: 14_000 }, 'long'],
  ])('[DR3] one axis alone is a circle, dotted where the other would be', (size, axis) => {
    const arcs = on(draw({ ...size, origin: 'measured' }), 'varix') as Of<'arc'>[];
    const isBeside = ({ x1, x2 }: Of<'arc'>) => x1 === x2;

    expect(arcs.map(({ r }) => r)).toEqual([7_000, 7_000, 7_000, 7_000]);
    const solid = arcs.filter(({ look }) => look === 'measured');
    expect(solid.map(isBeside)).toEqual(axis === 'short' ? [true, true] : [false, false]);
    expect(arcs.filter(({ look }) => look === 'unknown')).toHaveLength(2);
  });

  test.each<[Partial<TargetSketch>, number]>([
    [{ middleUm: 23_000, nearUm: 10_000, farUm: 20_000 }, 23_000],
    [{ nearUm: 16_000, farUm: 31_000 }, 23_500],
    [{ nearUm: 16_000 }, 23_000],
    [{ farUm: 31_000 }, 24_000],
    [{}, 0],
  ])('[DR4] the middle lies where it was measured, else as the walls say', (lengths, cx) => {
    const drawn = draw({ shortUm: 14_000, longUm: 22_000, origin: 'measured', ...lengths });

    expect(only(on(drawn, 'varix'), 'ellipse').cx).toBe(cx);
    const walls = on(drawn, 'wall') as Of<'line'>[];
    expect(walls.map(({ x1 }) => x1)).toEqual(
      [lengths.nearUm, lengths.farUm].filter((um) => um !== undefined),
    );
  });

  test.each([
    ['measured', 'measured', 'Short axis 14 mm'],
    ['measured-on-image', 'measured', 'Short axis 14 mm, measured on image'],
    ['estimated', 'estimated', 'Short axis 14 mm, estimated'],
    ['earlier-record', 'estimated', 'Short axis 14 mm, from earlier record'],
    ['', 'estimated', 'Short axis 14 mm, not said if measured'],
  ] as const)('[DR5, HAZ-09] a size of origin %j is drawn %s', (origin, look, text) => {
    const drawn = draw({ ...FULL, origin });

    expect(only(on(drawn, 'varix'), 'ellipse').look).toBe(look);
    expect(textsOf(drawn)).toContain(text);
  });

  test('[DR6] rings have the loop as diameter; a discarded one is crossed and lies outside', () => {
    const drawn = draw(FULL);
    const [placed, planned, discarded] = ['placed', 'planned', 'discarded'].map((look) =>
      only(on(drawn, 'coil', look), 'ellipse'),
    );

    expect([placed?.rx, planned?.rx, discarded?.rx]).toEqual([9_000, 9_000, 10_000]);
    expect([placed?.cx, planned?.cx]).toEqual([23_000, 23_000]);
    expect((discarded?.cx ?? 0) - 10_000).toBeGreaterThan(30_000);
    expect(on(drawn, 'coil', 'cross')).toHaveLength(2);
  });

  test('[DR6] a coil without a loop is a square, with or without a varix around it', () => {
    expect(
      only(on(draw({ placedLoopsUm: [null] }), 'coil', 'placed'), 'box').width,
    ).toBeGreaterThan(0);
    const drawn = draw({ ...FULL, placedLoopsUm: [null, 18_000] });
    expect(on(drawn, 'coil', 'placed').map(({ kind }) => kind)).toEqual(['box', 'ellipse']);
  });

  test('[DR9] 1 mL of mix in a 14 x 22 mm varix is an ellipsoid of 1 mL', () => {
    const { rx, ry } = only(on(draw({ ...FULL, mixOutUl: 1_000 }), 'liquid', 'mix'), 'ellipse');
    const ul = ((4 / 3) * Math.PI * rx * ry * rx) / 1e9;

    expect(ul).toBeGreaterThan(999);
    expect(ul).toBeLessThanOrEqual(1_000);
    expect(ry / rx).toBeCloseTo(22 / 14, 3);
  });

  test('[DR9] never past the outline, and nothing where nothing is known to have left', () => {
    const full = only(
      on(draw({ ...FULL, mixInjectedUl: 9_000, mixOutUl: 9_000 }), 'liquid', 'mix'),
      'ellipse',
    );
    expect([full.rx, full.ry]).toEqual([7_000, 11_000]);
    expect(on(draw({ ...FULL, mixOutUl: null }), 'liquid', 'mix')).toEqual([]);
    expect(on(draw({ ...FULL, mixOutUl: 0 }), 'liquid', 'mix')).toEqual([]);
  });

  test('[DR7] the needle bar has its plugs as shares of the dead space, hub first', () => {
    const bars = draw(FULL).shapes.filter(({ kind }) => kind === 'box') as Of<'box'>[];
    const [flush, mix] = bars;

    expect(bars.map(({ look }) => look)).toEqual(['held-flush', 'held-mix']);
    expect((flush?.width ?? 0) / (mix?.width ?? 1)).toBeCloseTo(600 / 400, 2);
    expect((flush?.x ?? 0) + (flush?.width ?? 0)).toBe(mix?.x);
  });

  test('[DR10] the needle goes to the recorded stop, else to the planned one, else nowhere', () => {
    const end = (sketch: Partial<TargetSketch>) =>
      (on(draw({ ...FULL, ...sketch }), 'needle') as Of<'line'>[])
        .filter(({ look }) => look !== 'tip')
        .map(({ x2, look }) => [x2, look]);

    expect(end({ stopUm: 20_000 })).toEqual([[20_000, 'done']]);
    expect(end({})).toEqual([[21_000, 'planned']]);
    expect(end({ plannedStopUm: null })).toEqual([]);
  });

  test('[DR11] of the planned part nothing is done, of the done part nothing is planned', () => {
    const looks = (part: 'planned' | 'done') =>
      draw(partOfSketch({ ...FULL, stopUm: 20_000 }, part)).shapes.map(({ look }) => look);

    expect(looks('planned')).not.toContain('placed');
    expect(looks('planned')).not.toContain('done');
    expect(looks('planned')).toContain('planned');
    expect(looks('done')).not.toContain('planned');
    expect(looks('done')).toContain('placed');
  });

  test('[DR13] the sentences say each number with its unit and each liquid by its name', () => {
    const text = drawingText({ ...FULL, stopUm: 20_000 }).join(' ');

    expect(text).toBe(
      'Varix A: short axis 14 mm, long axis 22 mm, measured. ' +
        'From the needle tip: near wall 16 mm, middle 23 mm, far wall 30 mm. ' +
        'Crus not entered. Feeder not entered. ' +
        'Needle stop 20 mm, recorded. Needle stop 21 mm, planned. ' +
        '1 coil placed: 18 mm. 1 coil planned: 18 mm. 1 coil discarded: 20 mm. ' +
        'Mix injected 1 mL. Mix past needle tip 0.6 mL, computed from the dead space. ' +
        'Adhesive drawn for information only. In the needle: mix 0.4 mL, flush 0.6 mL.',
    );
    expect(drawingText({ ...FULL, mixOutUl: null, needle: null }).join(' ')).toContain(
      'How much left the needle is not known: no dead space.',
    );
    expect(drawingText(NOTHING)).toEqual([
      'Varix A: short axis not entered, long axis not entered.',
      'Crus not entered.',
      'Feeder not entered.',
    ]);
    expect(drawingText({ ...NOTHING, disputed: ['size'] })).toEqual([
      'Varix A, size: two answers wait, not drawn.',
      'Crus not entered.',
      'Feeder not entered.',
    ]);
    const around = drawingText({ ...NOTHING, disputed: ['access', 'feeder'] });
    expect(around).toEqual([
      'Varix A, access route: two answers wait, not drawn.',
      'Varix A, feeder: two answers wait, not drawn.',
      'Varix A: short axis not entered, long axis not entered.',
    ]);
  });

  test('[DR13, UX-19] no text on screen has more than six words', () => {
    const drawn = [draw({ ...FULL, stopUm: 20_000 }), draw(FULL, 'far')];
    const fixed = Object.values(words).filter((text) => typeof text === 'string');

    for (const text of [...drawn.flatMap(textsOf), ...fixed]) {
      expect(
        text.split(' ').filter((word) => !/^[\d.]+$|^mm$|^mL$/.test(word)).length,
      ).toBeLessThanOrEqual(6);
    }
  });

  test('from far the stop and the short axis alone are written, beside what the needle holds', () => {
    expect(textsOf(draw({ ...FULL, stopUm: 20_000 }, 'far'))).toEqual([
      'Short axis 14 mm',
      'Stop 20 mm',
      'Mix in needle 0.4 mL',
      'Scale 10 mm',
    ]);
  });
});
