/** Proposals that two patients of two units are one person: two people join, and two people part. */
import type { LinkAct, LinkState, LinkTrait, NetworkLink } from '../network-questions';
import { AskedOfDesk } from './asked-of-desk.svelte';
import type { UnitDesk } from './unit-desk.svelte';

export const LINK_STATES: readonly LinkState[] = ['proposed', 'joined', 'parted'];
/** What a pair may be compared in; what is not among the told traits is not known at one side. */
export const TRAITS = ['names', 'day-of-birth', 'sex', 'national-number'] as const;
export type Trait = (typeof TRAITS)[number];
/** What speaks for one person, from much to nothing, and against. */
export type Weight = 'same' | 'close' | 'against' | 'unknown';

const BOTH_UNITS = 2;
const WEIGHTS: Readonly<Record<string, Weight>> = {
  'the-same': 'same',
  alike: 'close',
  near: 'close',
  'the-same-year': 'close',
  unlike: 'against',
};

/** Return what the linker wrote as an id: its words parted by hyphens. */
export function idOfWords(text: string): string {
  return text.trim().replaceAll(' ', '-');
}

/** Return what a level says for one person. A level that nobody here knows says nothing. */
export function weightOf(level: string): Weight {
  return WEIGHTS[idOfWords(level)] ?? 'unknown';
}

/** Return every trait in a fixed order, those that were not compared with the level "". */
export function allTraits(told: readonly LinkTrait[]): LinkTrait[] {
  const known = TRAITS.map(
    (trait) =>
      told.find((one) => idOfWords(one.trait) === trait) ?? { trait: trait as string, level: '' },
  );
  const isKnown = ({ trait }: LinkTrait) =>
    (TRAITS as readonly string[]).includes(idOfWords(trait));
  return [...known, ...told.filter((one) => !isKnown(one))];
}

/** Return how likely one person is, in hundredths; never all, never nothing. */
export function percentOf(perMille: number): number {
  return Math.min(99, Math.max(1, Math.round(perMille / 10)));
}

/** Return the chance of a pair as its sum has it, else as it was last weighed. */
export function likelihoodOf(link: NetworkLink): number {
  return percentOf(link.weighing.per_mille ?? link.probability_per_mille);
}

/** How a proposal stands with whoever looks at it. */
export type Turn =
  | 'first'
  | 'second'
  | 'agreed-before'
  | 'joined'
  | 'part-second'
  | 'part-asked'
  | 'parted'
  | 'parted-by-unit';

/** Return who says that they are one: people of the network, and units whose clinician says so. */
export function voicesOf({ agreed, answers }: NetworkLink): string[] {
  const units = answers.filter(({ answer }) => answer === 'same');
  return [...agreed.map(({ name }) => name), ...units.map(({ unit_name }) => unit_name)];
}

/** Return who said that a joined pair is to be parted. */
export function partersOf({ parting }: NetworkLink): string[] {
  return parting.map(({ name, staff }) => name || staff);
}

/**
 * Return whose turn it is: two have to say so before two patients become one, and before one becomes
 * two again; nobody says it twice. A unit's clinician counts as one of the two who join, so that a
 * press here may join at once.
 */
export function turnOf(link: NetworkLink): Turn {
  if (link.state === 'parted') return link.may_reopen ? 'parted' : 'parted-by-unit';
  if (link.state === 'joined') {
    if (link.parting.length === 0) return 'joined';
    return link.may_part ? 'part-second' : 'part-asked';
  }
  if (!link.may_agree) return 'agreed-before';
  return voicesOf(link).length === 0 ? 'first' : 'second';
}

/** Say whether a unit has answered that they are two: who agrees has to know. */
export function isDenied({ answers }: NetworkLink): boolean {
  return answers.some(({ answer }) => answer === 'not-same');
}

/**
 * Say whether two national numbers forbid a join until both units say that it is one person: twins
 * differ in nothing else.
 */
export function needsBothUnits({ traits, answers }: NetworkLink): boolean {
  const isUnlike = traits.some(
    ({ trait, level }) => idOfWords(trait) === 'national-number' && weightOf(level) === 'against',
  );
  return isUnlike && answers.filter(({ answer }) => answer === 'same').length < BOTH_UNITS;
}

/** Say whether a pair waits for a person: also one that is joined and that one person would part. */
export function isOpen({ state, parting }: NetworkLink): boolean {
  return state === 'proposed' || (state === 'joined' && parting.length > 0);
}

export class NetworkLinks {
  readonly #desk: UnitDesk;
  readonly asked: AskedOfDesk<'links'>;
  state = $state<LinkState>('proposed');
  /** The proposal that is open; "" where none is. */
  open = $state('');

  constructor(desk: UnitDesk) {
    this.#desk = desk;
    this.asked = new AskedOfDesk(desk, 'links', () => ({ state: this.state }));
  }

  look(state: LinkState): void {
    this.state = state;
    this.open = '';
    this.asked.forget();
  }

  /** Do one act to a link and show it as it stands then, in the list where it was. */
  async act(link: string, act: LinkAct, because = ''): Promise<boolean> {
    const told = await this.#desk.ask('link-act', { link, act, because });
    const before = this.asked.told;
    if (told === null || before === null) return false;
    const links = before.links.map((one) => (one.link === link ? told.link : one));
    const was = before.links.find((one) => one.link === link);
    const came = Number(isOpen(told.link)) - Number(was !== undefined && isOpen(was));
    this.asked.take({ ...before, links, open: before.open + came });
    return true;
  }
}
