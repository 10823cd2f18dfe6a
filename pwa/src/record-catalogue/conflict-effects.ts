/** What an open conflict holds back, by kind and field. Twin of `conflict_effects.py`. */
import table from '$catalogue/conflict_effects.json';

export type Effect = 'identity' | 'plan' | 'counts' | 'letter' | 'booking';

interface KindEffects {
  readonly otherwise: readonly Effect[];
  readonly fields?: Readonly<Record<string, readonly Effect[]>>;
}

const KINDS = table.kinds as Readonly<Record<string, KindEffects>>;

/**
 * Return what a conflict in a field holds back (CF3). A kind of a newer version holds everything
 * back: what it means is not known here.
 */
export function effectsOf(kind: string, field: string): readonly Effect[] {
  if (!Object.hasOwn(KINDS, kind)) return table.effects as Effect[];
  const known = KINDS[kind];
  const named = known?.fields;
  return (named && Object.hasOwn(named, field) ? named[field] : known?.otherwise) ?? [];
}
