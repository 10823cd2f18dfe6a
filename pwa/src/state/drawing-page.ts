/** A drawing in the making: its shapes and labels, and the room they take. Pure. Rules DR. */
import {
  joinRooms,
  LAYERS,
  type Label,
  type Room,
  roomOf,
  roomOfLabel,
  type Shape,
} from './drawing-shapes';

/** `near` writes every length; `far`, to be read from two metres, the short axis and the stop. */
export type Detail = 'near' | 'far';

export interface Drawing {
  /** Micrometres on both axes, shown without being stretched (DR1). */
  viewBox: { x: number; y: number; width: number; height: number };
  fontUm: number;
  /** From the lowest layer to the top one (DR9). */
  shapes: Shape[];
  labels: Label[];
}

/** What has been drawn so far, and the room it takes. */
export class Page {
  readonly fontUm: number;
  readonly detail: Detail;
  readonly #shapes: Shape[] = [];
  readonly #labels: Label[] = [];

  constructor(fontUm: number, detail: Detail) {
    this.fontUm = fontUm;
    this.detail = detail;
  }

  add(...shapes: Shape[]): void {
    this.#shapes.push(...shapes);
  }

  line(layer: Shape['layer'], look: string, x1: number, y1: number, x2: number, y2: number): void {
    this.add({ layer, look, kind: 'line', x1, y1, x2, y2 });
  }

  /** A length along the needle, with a tick at both ends. */
  measure(from: number, to: number, y: number): void {
    const tick = Math.round(this.fontUm / 3);
    this.line('measure', 'measure', from, y, to, y);
    for (const x of [from, to]) this.line('measure', 'measure', x, y - tick, x, y + tick);
  }

  write(x: number, y: number, anchor: Label['anchor'], text: string): void {
    this.#labels.push({ x, y, anchor, text });
  }

  /** The room of all so far, `least` included. */
  room(least: Room): Room {
    const labels = this.#labels.map((label) => roomOfLabel(label, this.fontUm));
    return joinRooms([least, ...this.#shapes.map(roomOf), ...labels]) ?? least;
  }

  finish(): Drawing {
    const nothing = { left: 0, top: 0, right: 0, bottom: 0 };
    const [first, ...others] = [
      ...this.#shapes.map(roomOf),
      ...this.#labels.map((label) => roomOfLabel(label, this.fontUm)),
    ];
    const { left, top, right, bottom } = joinRooms(first ? [first, ...others] : []) ?? nothing;
    const pad = this.fontUm;
    return {
      viewBox: {
        x: Math.floor(left - pad),
        y: Math.floor(top - pad),
        width: Math.ceil(right - left + 2 * pad),
        height: Math.ceil(bottom - top + 2 * pad),
      },
      fontUm: this.fontUm,
      shapes: this.#shapes.sort((a, b) => LAYERS.indexOf(a.layer) - LAYERS.indexOf(b.layer)),
      labels: this.#labels,
    };
  }
}
