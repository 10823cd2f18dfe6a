import fc from 'fast-check';
import { expect, test } from 'vitest';
import {
  coverBetween,
  inside,
  keptSize,
  LONGEST_SIDE_PX,
  pixelAt,
  placeOf,
  viewBeside,
} from './picture-points';

const side = fc.integer({ min: 1, max: 6000 });
const size = fc.record({ width: side, height: side });
const far = fc.integer({ min: -9000, max: 9000 });
const point = fc.record({ x: far, y: far });

test.each([
  [
    { width: 2559, height: 100 },
    { width: 2559, height: 100 },
  ],
  [
    { width: 2560, height: 100 },
    { width: 2560, height: 100 },
  ],
  [
    { width: 2561, height: 100 },
    { width: 2560, height: 100 },
  ],
  [
    { width: 4000, height: 3000 },
    { width: 2560, height: 1920 },
  ],
  [
    { width: 3000, height: 4000 },
    { width: 1920, height: 2560 },
  ],
  [
    { width: 6000, height: 1 },
    { width: 2560, height: 1 },
  ],
])('a picture of %o is kept in %o', (given, kept) => {
  expect(keptSize(given)).toEqual(kept);
});

test('no picture is enlarged, and none has a longer side than 2,560 px', () => {
  fc.assert(
    fc.property(size, (given) => {
      const kept = keptSize(given);
      expect(Math.max(kept.width, kept.height)).toBeLessThanOrEqual(LONGEST_SIDE_PX);
      expect(kept.width).toBeLessThanOrEqual(given.width);
      expect(Math.min(kept.width, kept.height)).toBeGreaterThanOrEqual(1);
    }),
  );
});

test('a point is always a pixel of the picture', () => {
  fc.assert(
    fc.property(point, size, (given, picture) => {
      const { x, y } = inside(given, picture);
      expect(x >= 0 && x < picture.width && y >= 0 && y < picture.height).toBe(true);
      expect(Number.isInteger(x) && Number.isInteger(y)).toBe(true);
    }),
  );
});

test('a pixel is found again under its own place, however large it is drawn', () => {
  // Planted bug that this caught: the corner of a pixel taken for its middle.
  fc.assert(
    fc.property(size, size, point, (box, picture, given) => {
      const pixel = inside(given, picture);
      expect(pixelAt(placeOf(pixel, box, picture), box, picture)).toEqual(pixel);
    }),
  );
});

test('the magnified view lies beside the finger and within the box', () => {
  // Planted bug that this caught: at the left edge the view lay under the finger.
  const box = fc.record({
    width: fc.integer({ min: 520, max: 1200 }),
    height: fc.integer({ min: 200, max: 900 }),
  });
  fc.assert(
    fc.property(box, point, (drawn, given) => {
      const place = inside(given, drawn);
      const view = viewBeside(place, drawn, 192, 64);
      expect(view.x >= 0 && view.x + 192 <= drawn.width).toBe(true);
      expect(view.y >= 0 && view.y + 192 <= drawn.height).toBe(true);
      expect(view.x + 192 <= place.x - 64 || view.x >= place.x + 64).toBe(true);
    }),
  );
});

test('a cover takes in both of its corners, in whichever order they were touched', () => {
  const picture = { width: 800, height: 600 };

  expect(coverBetween({ x: 10, y: 20 }, { x: 30, y: 5 }, picture)).toEqual({
    x: 10,
    y: 5,
    width: 21,
    height: 16,
  });
  expect(coverBetween({ x: -5, y: -5 }, { x: 900, y: 900 }, picture)).toEqual({
    x: 0,
    y: 0,
    ...picture,
  });
});
