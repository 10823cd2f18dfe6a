/** Points and covers on a picture, in whole pixels of the picture as it is kept. Pure. */

export interface Point {
  readonly x: number;
  readonly y: number;
}
export interface Size {
  readonly width: number;
  readonly height: number;
}
export interface Cover extends Point, Size {}

/** The longest side of a picture that is kept (unit setting, project default). */
export const LONGEST_SIDE_PX = 2560;

/** Return the size a picture is kept in: its longest side at most 2,560 px, never enlarged. */
export function keptSize({ width, height }: Size): Size {
  const longest = Math.max(width, height);
  if (longest <= LONGEST_SIDE_PX) return { width, height };
  const shrunk = (side: number) => Math.max(1, Math.round((side * LONGEST_SIDE_PX) / longest));
  return { width: shrunk(width), height: shrunk(height) };
}

/** Return the point, or the nearest one inside the picture. */
export function inside({ x, y }: Point, { width, height }: Size): Point {
  const within = (at: number, side: number) => Math.min(Math.max(Math.round(at), 0), side - 1);
  return { x: within(x, width), y: within(y, height) };
}

/** Return the pixel of the picture under a place in the box it is drawn in. */
export function pixelAt(place: Point, box: Size, picture: Size): Point {
  return inside(
    {
      x: Math.floor((place.x * picture.width) / box.width),
      y: Math.floor((place.y * picture.height) / box.height),
    },
    picture,
  );
}

/** Return the middle of a pixel as a place in the box the picture is drawn in. */
export function placeOf(point: Point, box: Size, picture: Size): Point {
  return {
    x: ((point.x + 0.5) * box.width) / picture.width,
    y: ((point.y + 0.5) * box.height) / picture.height,
  };
}

/**
 * Return where the top left corner of the magnified view lies: beside the finger, never under it,
 * and within the box.
 *
 * @param apart - least distance between the place and the view
 */
export function viewBeside(place: Point, box: Size, view: number, apart: number): Point {
  const within = (at: number, side: number) => Math.min(Math.max(at, 0), Math.max(side - view, 0));
  const y = within(place.y - view / 2, box.height);
  const left = place.x - apart - view;
  // A right hand covers what lies to the right of its finger: the left side comes first.
  if (left >= 0) return { x: left, y };
  return { x: within(place.x + apart, box.width), y };
}

/** Return the rectangle between two corners, both of them covered, within the picture. */
export function coverBetween(one: Point, other: Point, picture: Size): Cover {
  const [a, b] = [inside(one, picture), inside(other, picture)];
  return {
    x: Math.min(a.x, b.x),
    y: Math.min(a.y, b.y),
    width: Math.abs(a.x - b.x) + 1,
    height: Math.abs(a.y - b.y) + 1,
  };
}
