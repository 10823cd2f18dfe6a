/**
 * Length of a line on a still picture, by a known distance on the same picture.
 * Twin of `picture_length.py`.
 */
import { RuleFileError, ShapeError } from './errors';
import { nameRuleFiles, type RuleBook } from './rule-book';
import { type Basis, pathOf } from './rule-file';
import { atMost, naturalNumber, shape } from './shapes';
import { limitsOf, readLimitRow } from './sizing-limits';

const READING = 'pictures/reading';
// Beyond them a slip of the unit: no picture that is kept has such a side, no scanner such a depth.
const LARGEST_SIDE_PX = 20_000;
const LARGEST_KNOWN_UM = 1_000_000;
/** Lengths in pixels are held in thousandths, rounded against us. */
const PARTS_A_PX = 1000n;
const ROUNDING_UM = 1;
/** A size is entered in tenths of a millimetre; a length taken over is said no finer (PM8). */
const FINEST_PLACE_UM = 100;
/** JCGM 100:2008 (GUM), 7.2.6: an uncertainty has at most two significant digits. */
const DIGITS_OF_ERROR = 2;

const sidePx = atMost(LARGEST_SIDE_PX, 'Correct it.');
const readPoint = shape({ x: naturalNumber, y: naturalNumber });
const readRequest = shape({
  width_px: sidePx,
  height_px: sidePx,
  scale: shape({
    from: readPoint,
    to: readPoint,
    known_um: atMost(LARGEST_KNOWN_UM, 'Correct it.'),
  }),
  line: shape({ from: readPoint, to: readPoint }),
});

/** Whole pixels from the top left of the picture. */
export type Point = ReturnType<typeof readPoint>;
interface Ends {
  readonly from: Point;
  readonly to: Point;
}

interface Standing {
  basis: Basis | null;
  source: string | null;
}

/** Length and error rounded to a place, as they are shown and recorded. */
interface Said {
  length_um: number;
  error_um: number;
  place_um: number;
}

export interface PictureLength {
  /** Exact, as is `error_um`. */
  length_um: number;
  error_um: number;
  said: Said;
  basis: { length_um: Standing; said: Standing; error_um: Standing };
  inputs: string[];
  rule_files: ReturnType<typeof nameRuleFiles>;
}

/**
 * Return the length of a line on a picture, and how far it may be off. Rules PM1-PM4, PM8.
 *
 * Pixels are taken as square.
 *
 * @param request - parsed JSON: `width_px` and `height_px` of the picture, `scale` (`from`, `to`,
 * `known_um`) and `line` (`from`, `to`); points are whole pixels from the top left
 * @throws ShapeError when a key or type is wrong, a point lies outside the picture, the scale is
 * too short, or the line has no length
 * @throws RuleFileError when the shortest scale is no longer than what two misread points make of it
 */
export function answerPictureLength(request: unknown, ruleBook: RuleBook): PictureLength {
  const { width_px, height_px, scale, line } = readRequest(request, '');
  const file = ruleBook.ruleFile(READING, readLimitRow);
  const limitOf = limitsOf(file);
  for (const [name, part] of [['scale', scale] as const, ['line', line] as const]) {
    for (const end of ['from', 'to'] as const) {
      refuseOutside(part[end], `${name}.${end}`, width_px, height_px);
    }
  }
  const [scaleSquare, lineSquare] = [squareOf(scale), squareOf(line)];
  const [leastPx, misreadPx] = [limitOf('least_scale_px'), limitOf('misread_px')];
  if (leastPx <= 2 * misreadPx) {
    throw new RuleFileError(
      `Rule file ${pathOf(file)}: least_scale_px must be above twice misread_px. Correct it.`,
    );
  }
  if (scaleSquare < leastPx * leastPx) {
    throw new ShapeError(
      `The scale spans less than ${leastPx} px, so one pixel misread weighs too much. Set its two points further apart.`,
    );
  }
  if (lineSquare === 0) {
    throw new ShapeError('The line begins and ends at one point. Set its two points apart.');
  }
  const squares = [BigInt(lineSquare), BigInt(scaleSquare), BigInt(scale.known_um)] as const;
  const length = lengthUm(...squares);
  const most = mostUm(...squares, BigInt(misreadPx));
  const error = most - length + ROUNDING_UM;
  const misread = file.rows.find(({ item }) => item === 'misread_px');
  return {
    length_um: length,
    error_um: error,
    said: say(length, error),
    basis: {
      length_um: {
        basis: 'derived',
        source: 'known distance times pixels of the line through pixels of the scale',
      },
      said: {
        basis: 'published',
        source: 'JCGM 100:2008 (GUM), 7.2.6; tenths of a millimetre: project default',
      },
      error_um: { basis: misread?.basis ?? null, source: misread?.source ?? null },
    },
    inputs: ['scale', 'line'],
    rule_files: nameRuleFiles(file),
  };
}

function refuseOutside(point: Point, where: string, widthPx: number, heightPx: number): void {
  if (point.x >= widthPx || point.y >= heightPx) {
    throw new ShapeError(
      `${where} lies outside the picture of ${widthPx} x ${heightPx} px. Set it again.`,
    );
  }
}

/** The squared distance of two points, in square pixels. */
function squareOf({ from, to }: Ends): number {
  return (to.x - from.x) ** 2 + (to.y - from.y) ** 2;
}

/** Known distance times line through scale, a half rounded up (PM1). */
function lengthUm(lineSquare: bigint, scaleSquare: bigint, knownUm: bigint): number {
  const doubled = rootOf((4n * knownUm * knownUm * lineSquare) / scaleSquare);
  return Number((doubled + 1n) / 2n);
}

/** The longest that the line can be with each of the four points misread (PM3). */
function mostUm(
  lineSquare: bigint,
  scaleSquare: bigint,
  knownUm: bigint,
  misreadPx: bigint,
): number {
  const slip = 2n * misreadPx * PARTS_A_PX;
  const longest = rootOf(lineSquare * PARTS_A_PX ** 2n - 1n) + 1n + slip;
  const shortest = rootOf(scaleSquare * PARTS_A_PX ** 2n) - slip;
  return Number((knownUm * longest + shortest - 1n) / shortest);
}

/**
 * Length and error at the finest place that the error allows (PM8).
 *
 * What the rounding moves the length by is added to the error, which is rounded up: the exact
 * interval lies within the one that is said.
 */
function say(lengthUm: number, errorUm: number): Said {
  for (let place = FINEST_PLACE_UM; ; place *= 10) {
    const said = Math.floor((2 * lengthUm + place) / (2 * place)) * place;
    const off = Math.ceil((errorUm + Math.abs(said - lengthUm)) / place) * place;
    if (off < 10 ** DIGITS_OF_ERROR * place) {
      return { length_um: said, error_um: off, place_um: place };
    }
  }
}

/** The whole part of a square root, by Newton's steps from above. */
function rootOf(square: bigint): bigint {
  if (square < 2n) return square;
  let root = 1n << BigInt((square.toString(2).length + 1) >> 1);
  for (;;) {
    const next = (root + square / root) >> 1n;
    if (next >= root) return root;
    root = next;
  }
}
