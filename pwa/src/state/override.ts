/**
 * Passing a gate as an operation: what stood, under which rule, on which facts, and why a person
 * went on (GATE-02). Pure; the one who answers for it is the operation's own `by`.
 */
import { RuleFileError } from '../clinical-rules/errors';
import type { Facts } from '../clinical-rules/gate-facts';
import { findGates, type Gate, type GatesAnswer, OTHER_REASON } from '../clinical-rules/gates';
import type { RuleBook } from '../clinical-rules/rule-book';
import { hashText } from '../clinical-rules/rule-file';
import { canonicalText } from '../sync/canonical-text';
import { type Json, type RecordState, structureOf } from './shown';

/** A gate as it stands now, with the facts it was found in and the rule files it comes from. */
export interface StandingGate {
  gate: Gate;
  facts: Facts;
  ruleFiles: GatesAnswer['rule_files'];
}

/** What a person says in order to go on. */
export interface Passing {
  /** A reason of the gate, or `other`: noted later. */
  reason: string;
  /** Staff record of the one who answers for it. */
  by: string;
  /** Staff record of the person who confirms with them, null where none is asked for. */
  secondPerson: string | null;
  wallMs: number;
  monotonicMs: number;
  /** Monotonic time at which the text came on screen. */
  shownAtMs: number;
}

/** The structure that `step_event.override` holds. */
export type Override = {
  gate: string;
  cause: string;
  rule_file: string;
  rule_version: number;
  rule_sha256: string;
  inputs_sha256: string;
  text_shown: string;
  text_sha256: string;
  reason: string;
  second_person: string | null;
  wall_ms: number;
  monotonic_ms: number;
  shown_ms: number;
};

/** The gate cannot be passed like this; the text says what to do next. */
export class OverrideError extends Error {
  override name = 'OverrideError';
}

/**
 * Return the gates and soft remarks that stand, none where the unit's rule files cannot be read:
 * then there is no number to withhold either.
 */
export function standingGates(ruleBook: RuleBook, facts: Facts): StandingGate[] {
  try {
    const { gates, rule_files: ruleFiles } = findGates(facts, ruleBook);
    return gates.map((gate) => ({ gate, facts, ruleFiles }));
  } catch (error) {
    if (error instanceof RuleFileError) return [];
    throw error;
  }
}

/** Return the SHA-256 of the facts a gate was found in: of their canonical text, UTF-8. */
export function hashInputs({ gate, facts }: StandingGate): string {
  const inputs = Object.fromEntries(gate.inputs.map((name) => [name, facts[name] as Json]));
  return hashText(canonicalText(inputs));
}

/**
 * Return what is stored when a gate is passed. Rules GT15 and GT16.
 *
 * @throws OverrideError when nobody may pass the gate, the reason is none of its own, or the
 * second person is missing, not asked for, or the same one
 */
export function composeOverride(standing: StandingGate, passing: Passing): Override {
  const { gate, ruleFiles } = standing;
  const { reason, by, secondPerson, wallMs, monotonicMs, shownAtMs } = passing;
  if (gate.may_pass === null || gate.may_pass === 'nobody') {
    throw new OverrideError(`Nobody passes ${gate.id}. Do what its text says.`);
  }
  if (reason !== OTHER_REASON && !gate.reasons.some(({ id }) => id === reason)) {
    throw new OverrideError(`${reason || 'Nothing'} is no reason of ${gate.id}. Choose one.`);
  }
  if (needsSecondPerson(gate)) {
    if (secondPerson === null || secondPerson === '' || secondPerson === by) {
      throw new OverrideError(`${gate.id} needs a second person. Choose somebody else.`);
    }
  } else if (secondPerson !== null) {
    throw new OverrideError(`${gate.id} asks for no second person. Leave it out.`);
  }
  const [rule] = ruleFiles;
  if (rule === undefined) throw new OverrideError(`${gate.id} names no rule file. Look again.`);
  return {
    gate: gate.id,
    cause: gate.cause,
    rule_file: rule.name,
    rule_version: rule.version,
    rule_sha256: rule.sha256,
    inputs_sha256: hashInputs(standing),
    text_shown: gate.text,
    text_sha256: hashText(gate.text),
    reason,
    second_person: secondPerson,
    wall_ms: wallMs,
    monotonic_ms: monotonicMs,
    shown_ms: Math.max(0, monotonicMs - shownAtMs),
  };
}

/** Say whether a gate asks for somebody beside the one who answers for it. */
export function needsSecondPerson(gate: Gate): boolean {
  return gate.may_pass === 'endoscopist-and-second-person';
}

/** Say whether this override passes this gate on these very facts: others raise it anew. */
export function passes(override: Override | null, standing: StandingGate): boolean {
  return (
    override !== null &&
    override.cause === standing.gate.cause &&
    override.inputs_sha256 === hashInputs(standing)
  );
}

/** Return the overrides that stand in a case, oldest first; those of earlier versions lack parts. */
export function overridesOf(stepEvents: readonly RecordState[]): Override[] {
  return stepEvents
    .filter((event) => !event.isEnteredInError)
    .map((event) => structureOf(event, 'override'))
    .filter((held) => held !== null)
    .map((held) => held as unknown as Override);
}
