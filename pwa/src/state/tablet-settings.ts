/** What is set on this tablet alone, as it is remembered; never exchanged. Pure. */
import type { Json } from '../ports';
import type { Loudness } from './cue-tones';
import { type LearnedKeys, NO_LEARNED_KEYS } from './pedal-keys';

/** The hand that taps: undo and side acts lie on the other edge (UX-06). */
export type Hand = 'right' | 'left';

/** That somebody looked through the check of this tablet. */
export interface NotedCheck {
  /** Civil date. */
  on: string;
  /** ISO 8601 with offset. */
  at: string;
  /** Name of the person, as shown then. */
  by: string;
  /** Rows that asked for something. */
  openPoints: number;
}

export interface Settings {
  hand: Hand;
  loudness: Loudness;
  keys: LearnedKeys;
  check: NotedCheck | null;
}

export const DEFAULT_SETTINGS: Settings = {
  hand: 'right',
  loudness: 'low',
  keys: NO_LEARNED_KEYS,
  check: null,
};

type Parts = { readonly [name: string]: unknown };
const partsOf = (content: unknown): Parts =>
  typeof content === 'object' && content !== null && !Array.isArray(content)
    ? (content as Parts)
    : {};
const textsOf = (content: unknown): string[] =>
  Array.isArray(content) ? content.filter((one) => typeof one === 'string') : [];
const oneOf = <T extends string>(content: unknown, known: readonly T[], otherwise: T): T =>
  known.find((one) => one === content) ?? otherwise;

/** Read what was remembered; what is missing or not understood is as it is by default. */
export function readSettings(content: unknown): Settings {
  const { hand, loudness, keys, check } = partsOf(content);
  const { primary, back } = partsOf(keys);
  return {
    hand: oneOf(hand, ['right', 'left'], DEFAULT_SETTINGS.hand),
    loudness: oneOf(loudness, ['off', 'low', 'normal'], DEFAULT_SETTINGS.loudness),
    keys: { primary: textsOf(primary), back: textsOf(back) },
    check: readCheck(check),
  };
}

/** Return settings as they are remembered. */
export function writeSettings({ hand, loudness, keys, check }: Settings): Json {
  return {
    hand,
    loudness,
    keys: { primary: [...keys.primary], back: [...keys.back] },
    check: check === null ? null : { ...check },
  };
}

function readCheck(content: unknown): NotedCheck | null {
  const { on, at, by, openPoints } = partsOf(content);
  if (typeof on !== 'string' || typeof at !== 'string' || typeof by !== 'string') return null;
  return { on, at, by, openPoints: typeof openPoints === 'number' ? openPoints : 0 };
}
