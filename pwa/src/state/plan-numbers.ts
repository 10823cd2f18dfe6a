/** What the Plan screen reads out of an answer of `sizing`: a number, or why there is none. Pure. */
import { partOf, textsOf, wordsOf } from './calculation';

export type Figure =
  | { kind: 'number'; amount: number }
  | { kind: 'missing'; names: string[] }
  | { kind: 'refused'; text: string }
  | { kind: 'nothing' };

/** Return the figure under a name of an answer part. */
export function figureOf(from: unknown, name: string): Figure {
  const found = partOf(from)?.[name];
  return typeof found === 'number' ? { kind: 'number', amount: found } : lackOf(found);
}

/** Return why a part has no numbers; `nothing` where it has some. */
export function lackOf(part: unknown): Figure {
  const refusal = partOf(part, 'refusal');
  if (refusal !== null) return { kind: 'refused', text: wordsOf(refusal, 'text') };
  const names = textsOf(part, 'missing');
  return names.length > 0 ? { kind: 'missing', names } : { kind: 'nothing' };
}

/** Return the two whole numbers under a name, null where there are none. */
export function pairOf(from: unknown, name: string): [number, number] | null {
  const found = partOf(from)?.[name];
  if (!Array.isArray(found) || found.length !== 2) return null;
  const [low, high] = found as unknown[];
  return typeof low === 'number' && typeof high === 'number' ? [low, high] : null;
}

/** Return each id with how often it stands in a row: coils picked, first to last. */
export function countInOrder(ids: readonly string[]): { id: string; times: number }[] {
  const runs: { id: string; times: number }[] = [];
  for (const id of ids) {
    const last = runs.at(-1);
    if (last?.id === id) last.times += 1;
    else runs.push({ id, times: 1 });
  }
  return runs;
}
