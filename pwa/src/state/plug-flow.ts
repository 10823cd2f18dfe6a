/**
 * What the needle holds and what has left its tip, push by push, as plugs that never mix (DR7).
 *
 * Pure; whole microlitres. A push at the hub moves everything in the lumen towards the tip.
 */

/** `other` is what filled the lumen before anything was recorded. */
export type Liquid = 'mix' | 'flush' | 'other';

export interface Push {
  liquid: 'mix' | 'flush';
  amountUl: number;
  /** Record id of the varix the tip lies in; null while it lies in none. */
  target: string | null;
}

export interface Plug {
  liquid: Liquid;
  amountUl: number;
}

export interface Flow {
  /** From the hub to the tip; together the dead space, nothing of size 0. */
  needle: Plug[];
  /** Mix that has left the tip, by the varix it lay in then. */
  mixOutUl: ReadonlyMap<string, number>;
}

/**
 * Return what the pushes leave in the needle, and what they moved past its tip.
 *
 * For one aliquot V and then its flush this is clamp(V + flush - dead space, 0, V), as AD1 has it.
 *
 * @param deadSpaceUl - what the needle's lumen holds
 * @param pushes - in the order in which they happened
 */
export function followPlugs(deadSpaceUl: number, pushes: readonly Push[]): Flow {
  let needle: Plug[] = [{ liquid: 'other', amountUl: deadSpaceUl }];
  const mixOutUl = new Map<string, number>();
  for (const { liquid, amountUl, target } of pushes) {
    needle = [{ liquid, amountUl }, ...needle];
    let surplusUl = amountUl;
    while (surplusUl > 0) {
      const tip = needle.pop();
      if (tip === undefined) break;
      const leavesUl = Math.min(tip.amountUl, surplusUl);
      surplusUl -= leavesUl;
      if (tip.liquid === 'mix' && target !== null) {
        mixOutUl.set(target, (mixOutUl.get(target) ?? 0) + leavesUl);
      }
      if (tip.amountUl > leavesUl) needle.push({ ...tip, amountUl: tip.amountUl - leavesUl });
    }
  }
  return { needle: joined(needle), mixOutUl };
}

function joined(plugs: readonly Plug[]): Plug[] {
  const found: Plug[] = [];
  for (const plug of plugs) {
    const last = found.at(-1);
    if (plug.amountUl === 0) continue;
    if (last?.liquid === plug.liquid) last.amountUl += plug.amountUl;
    else found.push({ ...plug });
  }
  return found;
}
