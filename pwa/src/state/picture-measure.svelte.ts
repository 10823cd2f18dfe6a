/** Measuring on one picture: four points, a known distance, and the length they give. */
import { answerPictureLength } from '../clinical-rules/picture-length';
import type { RuleBook } from '../clinical-rules/rule-book';
import type { Json, RecordState } from '../ports';
import { measureWords as words } from '../text/pictures';
import type { AnswerActs } from './answer-acts.svelte';
import { calculate, countOf, partOf } from './calculation';
import { inside, type Point } from './picture-points';
import { type Axis, type OnImage, takeAxis } from './picture-size';
import { fileOf } from './picture-work.svelte';
import { structureOf, textOf } from './shown';

export const POINTS = ['scaleFrom', 'scaleTo', 'lineFrom', 'lineTo'] as const;
export type PointName = (typeof POINTS)[number];

type Measured =
  | { kind: 'lacks'; what: 'points' | 'known' }
  | { kind: 'refused'; sentence: string }
  | { kind: 'length'; lengthUm: number; errorUm: number; placeUm: number; request: Json };

export class PictureMeasure {
  /** As it is drawn now; renewed by the screen. */
  picture = $state.raw() as RecordState;
  readonly size: { width: number; height: number };
  readonly #sha256: string;
  readonly #ruleBook: RuleBook;
  points = $state<Partial<Record<PointName, Point>>>({});
  knownUm = $state<number | null>(null);
  active = $state<PointName>('scaleFrom');
  stepPx = $state<1 | 10>(1);

  /** Takes up the scale that was kept with the picture; a line is never there beforehand. */
  constructor(picture: RecordState, ruleBook: RuleBook) {
    this.picture = picture;
    this.#ruleBook = ruleBook;
    const file = fileOf(picture);
    this.size = { width: file?.width ?? 1, height: file?.height ?? 1 };
    this.#sha256 = file?.sha256 ?? '';
    const scale = structureOf(picture, 'scale');
    const [from, to] = [pointIn(scale?.from), pointIn(scale?.to)];
    if (from === null || to === null || typeof scale?.known_um !== 'number') return;
    this.points = { scaleFrom: from, scaleTo: to };
    this.knownUm = scale.known_um;
    this.active = 'lineFrom';
  }

  /** Show again what an axis was measured by. */
  showAgain({ request }: OnImage): void {
    const [scale, line] = [partOf(request, 'scale'), partOf(request, 'line')];
    const known = countOf(scale, 'known_um');
    const shown = {
      scaleFrom: pointIn(scale?.from),
      scaleTo: pointIn(scale?.to),
      lineFrom: pointIn(line?.from),
      lineTo: pointIn(line?.to),
    };
    for (const name of POINTS) {
      const point = shown[name];
      if (point !== null) this.points[name] = point;
    }
    this.knownUm = known;
  }

  set(point: Point): void {
    this.points[this.active] = inside(point, this.size);
  }

  nudge(across: -1 | 0 | 1, down: -1 | 0 | 1): void {
    const at = this.points[this.active];
    if (at === undefined) return;
    this.set({ x: at.x + across * this.stepPx, y: at.y + down * this.stepPx });
  }

  readonly measured: Measured = $derived.by(() => {
    const { scaleFrom, scaleTo, lineFrom, lineTo } = this.points;
    if (!scaleFrom || !scaleTo || !lineFrom || !lineTo) return { kind: 'lacks', what: 'points' };
    if (this.knownUm === null) return { kind: 'lacks', what: 'known' };
    const request = {
      width_px: this.size.width,
      height_px: this.size.height,
      scale: { from: { ...scaleFrom }, to: { ...scaleTo }, known_um: this.knownUm },
      line: { from: { ...lineFrom }, to: { ...lineTo } },
    };
    const { answer, sentence } = calculate(() => answerPictureLength(request, this.#ruleBook));
    const said = partOf(answer, 'said');
    const [lengthUm, errorUm, placeUm] = [
      countOf(said, 'length_um'),
      countOf(said, 'error_um'),
      countOf(said, 'place_um'),
    ];
    if (lengthUm === null || errorUm === null || placeUm === null) {
      return { kind: 'refused', sentence };
    }
    return { kind: 'length', lengthUm, errorUm, placeUm, request };
  });

  /** The scale as it would be kept, null while it is not whole or is kept already. */
  readonly freshScale = $derived.by(() => {
    const { scaleFrom, scaleTo } = this.points;
    if (!scaleFrom || !scaleTo || this.knownUm === null) return null;
    const scale = { from: { ...scaleFrom }, to: { ...scaleTo }, known_um: this.knownUm };
    const kept = structureOf(this.picture, 'scale');
    const [from, to] = [pointIn(kept?.from), pointIn(kept?.to)];
    const isKept =
      kept?.known_um === scale.known_um && isAt(from, scale.from) && isAt(to, scale.to);
    return isKept ? null : scale;
  });

  keepScale(acts: AnswerActs): void {
    const scale = this.freshScale;
    if (scale === null) return;
    void acts.give({
      record: this.picture.record,
      onScreen: this.picture,
      field: 'scale',
      words: words.scaleKept,
      control: `scale ${JSON.stringify(scale)}`,
      compose: () => scale,
    });
  }

  /** Take the length over as an axis of a target; nothing else ever does. */
  takeOver(acts: AnswerActs, target: RecordState, axis: Axis): void {
    const { measured } = this;
    if (measured.kind !== 'length' || measured.lengthUm === 0) return;
    const by: OnImage = {
      picture: this.picture.record,
      sha256: this.#sha256,
      request: measured.request,
      error_um: measured.errorUm,
    };
    void acts.give({
      record: target.record,
      onScreen: target,
      field: 'size',
      words: words.taken(
        words.axes[axis],
        textOf(target, 'label'),
        placedText(measured.lengthUm, measured.placeUm),
      ),
      control: `${target.record} ${axis} ${measured.lengthUm}`,
      compose: (now) =>
        takeAxis(partOf(now) as Record<string, Json> | null, axis, measured.lengthUm, by),
    });
  }
}

/** Return a length in millimetres to its place: 14.0 where the place is a tenth (PM8). */
export function placedText(um: number, placeUm: number): string {
  return (um / 1000).toFixed(placeUm < 1000 ? 1 : 0);
}

function pointIn(content: unknown): Point | null {
  const part = partOf(content);
  return typeof part?.x === 'number' && typeof part.y === 'number'
    ? { x: part.x, y: part.y }
    : null;
}

function isAt(one: Point | null, other: Point): boolean {
  return one !== null && one.x === other.x && one.y === other.y;
}
