/** What the unit could not be asked on Decisions, and why: each reason once, whatever it concerns. */

import { untrack } from 'svelte';

/** What only the unit knows, in the order in which Decisions shows it. */
const QUESTIONS = ['alarms', 'followUp', 'plans', 'devices'] as const;
export type UnitQuestion = (typeof QUESTIONS)[number];

export interface UntoldRow {
  /** As the store tells it. */
  why: string;
  questions: UnitQuestion[];
}

export class UntoldByUnit {
  #whys = $state.raw<ReadonlyMap<UnitQuestion, string>>(new Map());

  readonly rows = $derived.by(() => groupByReason(this.#whys));

  /** Note why a question has no answer, "" where it has one. */
  note(question: UnitQuestion, why: string): void {
    // Called from effects, which must not run again for what they write themselves.
    const whys = untrack(() => this.#whys);
    if ((whys.get(question) ?? '') !== why) this.#whys = new Map([...whys, [question, why]]);
  }
}

/** Return each reason once, with the questions it stands for; those that were answered left out. */
export function groupByReason(whys: ReadonlyMap<UnitQuestion, string>): UntoldRow[] {
  const rows = new Map<string, UnitQuestion[]>();
  for (const question of QUESTIONS) {
    const why = whys.get(question) ?? '';
    if (why !== '') rows.set(why, [...(rows.get(why) ?? []), question]);
  }
  return [...rows].map(([why, questions]) => ({ why, questions }));
}
