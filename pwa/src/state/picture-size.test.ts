import fc from 'fast-check';
import { expect, test } from 'vitest';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import type { Json } from '../ports';
import {
  AXES,
  axesOnPictures,
  enterPart,
  ON_IMAGE,
  type OnImage,
  onImageOf,
  takeAxis,
} from './picture-size';

type Parts = { readonly [part: string]: Json };
const ruleBook = packagedRuleBook('2026-11-25');
const BY: OnImage = {
  picture: 'picture/p-1',
  sha256: 'a'.repeat(64),
  request: {
    width_px: 800,
    height_px: 600,
    scale: { from: { x: 0, y: 0 }, to: { x: 0, y: 500 }, known_um: 50_000 },
    line: { from: { x: 10, y: 10 }, to: { x: 150, y: 10 } },
  },
  error_um: 300,
};

test('[PM6] an axis taken over names its picture, scale and points, and can be measured again', () => {
  const size = takeAxis(null, 'short_axis', 14_000, BY) as Parts;

  expect(size).toEqual({
    short_axis_um: 14_000,
    origin: ON_IMAGE,
    on_images: { short_axis: BY },
  });
  expect(onImageOf(size, 'short_axis', ruleBook)).toEqual(BY);
  expect(onImageOf(size, 'long_axis', ruleBook)).toBeNull();
});

test('[PM6] a length that its own points do not give is not shown as measured on a picture', () => {
  const size = { ...(takeAxis(null, 'short_axis', 14_000, BY) as Parts), short_axis_um: 14_001 };

  expect(onImageOf(size, 'short_axis', ruleBook)).toBeNull();
  expect(onImageOf({ on_images: { short_axis: 'text' } }, 'short_axis', ruleBook)).toBeNull();
});

test('[PM8] both the length that is said and the exact one of earlier entries can be measured again', () => {
  const request = {
    ...(BY.request as Parts),
    scale: { from: { x: 0, y: 0 }, to: { x: 0, y: 500 }, known_um: 50_178 },
  };
  const by = { ...BY, request, error_um: 400 };
  const readBack = (um: number) =>
    onImageOf(takeAxis(null, 'short_axis', um, by) as Parts, 'short_axis', ruleBook);

  expect([readBack(14_100), readBack(14_050)]).toEqual([by, by]);
  expect([readBack(14_049), readBack(14_000)]).toEqual([null, null]);
});

test('an axis is told while it rests on a picture entered in error, and no longer', () => {
  const struck = new Set(['picture/p-1']);
  const size = takeAxis(null, 'short_axis', 14_000, BY) as Parts;

  expect(axesOnPictures(size, struck)).toEqual(['short_axis']);
  expect(axesOnPictures(size, new Set(['picture/p-2']))).toEqual([]);
  expect(axesOnPictures(enterPart(size, 'short_axis_um', 15_000) as Parts, struck)).toEqual([]);
  expect(axesOnPictures(null, struck)).toEqual([]);
});

test('[PM7] beside an axis of another origin that origin stays, and comes from nobody else', () => {
  // Planted bug that this caught: an estimated long axis became measured with the short one.
  const beside = (origin?: string) =>
    takeAxis(
      { long_axis_um: 20_000, ...(origin ? { origin } : {}) },
      'short_axis',
      14_000,
      BY,
    ) as Parts;

  expect(beside('estimated').origin).toBe('estimated');
  expect(beside('earlier-record').origin).toBe('earlier-record');
  expect(beside().origin).toBeUndefined();
  const both = takeAxis(beside('estimated'), 'long_axis', 22_000, BY) as Parts;
  expect(both.origin).toBe(ON_IMAGE);
});

test('[PM7] an axis entered by hand loses its picture, and the size its origin', () => {
  const both = takeAxis(
    takeAxis(null, 'short_axis', 14_000, BY) as Parts,
    'long_axis',
    22_000,
    BY,
  ) as Parts;

  const byHand = enterPart(both, 'short_axis_um', 15_000) as Parts;
  expect(byHand).toEqual({
    short_axis_um: 15_000,
    long_axis_um: 22_000,
    on_images: { long_axis: BY },
  });
  expect(enterPart(both, 'modality', 'ultrasound')).toEqual({ ...both, modality: 'ultrasound' });
  expect(enterPart({ origin: 'measured' }, 'short_axis_um', 9000)).toEqual({
    short_axis_um: 9000,
    origin: 'measured',
  });
});

test('[PM7] whatever is taken over and entered, measured-on-image says so of every axis', () => {
  // Planted bug that this caught: the origin kept when an axis was entered by hand.
  const act = fc.record({
    axis: fc.constantFrom(...AXES),
    isTaken: fc.boolean(),
    origin: fc.constantFrom('measured', 'estimated'),
    says: fc.boolean(),
  });
  fc.assert(
    fc.property(fc.array(act, { maxLength: 12 }), (acts) => {
      let size: Parts | null = null;
      for (const { axis, isTaken, origin, says } of acts) {
        if (says) size = enterPart(size, 'origin', origin) as Parts;
        size = (
          isTaken ? takeAxis(size, axis, 14_000, BY) : enterPart(size, `${axis}_um`, 9_000)
        ) as Parts;
        if (size.origin !== ON_IMAGE) continue;
        for (const one of AXES) {
          if (typeof size[`${one}_um`] === 'number') {
            expect(onImageOf(size, one, ruleBook), one).toEqual(BY);
          }
        }
      }
    }),
  );
});
