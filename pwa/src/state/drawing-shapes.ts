/**
 * The shapes of a drawing and the room they take. Pure; whole micrometres, x along the needle from
 * its tip before the puncture, y down the screen.
 */

/** From the lowest layer to the top one. */
export const LAYERS = [
  'crus',
  'varix',
  'liquid',
  'feeder',
  'wall',
  'coil',
  'needle',
  'stop',
  'measure',
] as const;
export type Layer = (typeof LAYERS)[number];

/** `look` names how a shape is drawn, never where or how large. */
export type Shape = { layer: Layer; look: string } & (
  | { kind: 'ellipse'; cx: number; cy: number; rx: number; ry: number }
  | {
      kind: 'arc';
      x1: number;
      y1: number;
      x2: number;
      y2: number;
      r: number;
      cx: number;
      cy: number;
    }
  | { kind: 'line'; x1: number; y1: number; x2: number; y2: number }
  | { kind: 'box'; x: number; y: number; width: number; height: number }
);

export interface Label {
  x: number;
  /** Of the baseline. */
  y: number;
  anchor: 'start' | 'middle';
  text: string;
}

export interface Room {
  left: number;
  top: number;
  right: number;
  bottom: number;
}

/** Widest letters of the font, per size; the browser tests measure that no text is wider. */
const LETTER_WIDTH = 0.64;

/** Return the room a shape takes, without the width of its line. */
export function roomOf(shape: Shape): Room {
  switch (shape.kind) {
    case 'ellipse':
      return around(shape.cx, shape.cy, shape.rx, shape.ry);
    case 'arc':
      return around(shape.cx, shape.cy, shape.r, shape.r);
    case 'line':
      return {
        left: Math.min(shape.x1, shape.x2),
        top: Math.min(shape.y1, shape.y2),
        right: Math.max(shape.x1, shape.x2),
        bottom: Math.max(shape.y1, shape.y2),
      };
    case 'box':
      return {
        left: shape.x,
        top: shape.y,
        right: shape.x + shape.width,
        bottom: shape.y + shape.height,
      };
  }
}

/** Return how wide a text can be at most, in the unit of the font's size. */
export function widthOf(text: string, fontUm: number): number {
  return Math.ceil(text.length * LETTER_WIDTH * fontUm);
}

/** Return the room a label takes at most. */
export function roomOfLabel({ x, y, anchor, text }: Label, fontUm: number): Room {
  const width = widthOf(text, fontUm);
  const left = anchor === 'start' ? x : x - width / 2;
  return { left, top: y - fontUm, right: left + width, bottom: y + fontUm * 0.3 };
}

/** Return the room that holds all of them, null for none. */
export function joinRooms(rooms: readonly Room[]): Room | null {
  if (rooms.length === 0) return null;
  return {
    left: Math.min(...rooms.map(({ left }) => left)),
    top: Math.min(...rooms.map(({ top }) => top)),
    right: Math.max(...rooms.map(({ right }) => right)),
    bottom: Math.max(...rooms.map(({ bottom }) => bottom)),
  };
}

function around(cx: number, cy: number, rx: number, ry: number): Room {
  return { left: cx - rx, top: cy - ry, right: cx + rx, bottom: cy + ry };
}
