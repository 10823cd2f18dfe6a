/**
 * Re-issues: what a copied tablet wrote, written again in a new epoch, and counted once.
 * Twin of `reissue.py`.
 *
 * Two copies of one tablet give the same ids to different operations. The copy whose branch the
 * unit does not hold writes it again under ids of its own; `again` in the body names the first.
 */
import { canonicalText, type JsonContent } from './canonical-text';
import { type Body, makeOperationOf, type Operation, readBody, referenceOf } from './operation';
import type { Tip } from './operation-log';

export interface Held {
  operation: Pick<Operation, 'opId' | 'device' | 'stamp'>;
  body: Body;
}

/**
 * Return a body text that names the operation it repeats; all else stays as it was written.
 *
 * A body that is itself a re-issue keeps the name of the very first (OP8).
 */
export function writeAgain(bodyText: string, reference: string): string {
  if (readBody(bodyText).again !== undefined) return bodyText;
  return `${bodyText.slice(0, -1)},"again":"${reference}"}`;
}

/**
 * Return the operations of a branch, written again at the end of another log (EX9).
 *
 * Each keeps record, stream, stamp, author, values and what it replaces, so that either of the two
 * says the same (MG10).
 *
 * @param branch - own operations that the unit does not hold, in the order of their log
 * @param tip - where the log ends that they continue
 */
export function reissueBranch(branch: readonly Operation[], tip: Tip): Operation[] {
  const made: Operation[] = [];
  let { counter, hash: previous } = tip;
  for (const { device, stream, record, stamp, bodyText, ...first } of branch) {
    counter += 1;
    const again = makeOperationOf({
      device,
      epoch: tip.epoch,
      counter,
      previous,
      stream,
      record,
      stamp,
      bodyText: writeAgain(bodyText ?? '', referenceOf(first)),
    });
    made.push(again);
    previous = again.hash;
  }
  return made;
}

/**
 * Return operations by reference with each re-issue folded into the first it names (MG10).
 *
 * The result is keyed by the first's reference, whether or not the first itself is held, and
 * `over` and `retract` speak of firsts alone. A re-issue of another device, or one that does not
 * say what the first says, stands for itself: nothing may hide behind `again`.
 */
export function countOnce(held: Map<string, Held>): Map<string, Held> {
  const reissues = new Map<string, string[]>();
  for (const [reference, { operation, body }] of held) {
    const { again } = body;
    if (again === undefined || again.split('.', 1)[0] !== operation.device) continue;
    reissues.set(again, [...(reissues.get(again) ?? []), reference]);
  }
  const firstOf = new Map<string, string>();
  for (const [first, found] of reissues) {
    const known = held.get(first);
    if (known?.body.again !== undefined) continue;
    const same = known === undefined ? found : [...found, first];
    const contents = new Set(same.map((reference) => contentOf(held.get(reference))));
    if (contents.size === 1) for (const reference of found) firstOf.set(reference, first);
  }
  if (firstOf.size === 0) return held;
  const folded = new Map<string, Held>();
  // Sorted, so that the order of arrival chooses nothing; all of one class say the same.
  for (const reference of [...held.keys()].sort()) {
    const { operation, body } = held.get(reference) as Held;
    const first = firstOf.get(reference) ?? reference;
    if (!folded.has(first)) folded.set(first, { operation, body: rename(body, firstOf) });
  }
  return folded;
}

function contentOf(held: Held | undefined): string {
  if (held === undefined) return '';
  const { by, set, over, retract } = held.body;
  const content = [held.operation.stamp, by, set, over, retract];
  return canonicalText(content as unknown as JsonContent);
}

function rename(body: Body, firstOf: ReadonlyMap<string, string>): Body {
  const firsts = (references: readonly string[]) => [
    ...new Set(references.map((one) => firstOf.get(one) ?? one)),
  ];
  return {
    ...body,
    over: Object.fromEntries(
      Object.entries(body.over).map(([field, seen]) => [field, firsts(seen)]),
    ),
    retract: firsts(body.retract),
  };
}
