/** What the unit desk asks its own server of what came from the network; names stay at the unit. */
import type { Group } from './clinical-rules/implant-search';
import type {
  LinkAnswer,
  LinkState,
  LinkTrait,
  RecallAnswer,
  RecallCriteria,
  RecallItem,
} from './network-questions';
import type { ComparedWith, HeldStanding } from './network-rule-questions';
import type { Mark } from './state/implant-owners';

/** How the unit's line to the hub stands; `digits` while a person at the hub has to type them. */
export interface NetworkLine {
  standing: 'none' | 'waiting' | 'joined' | 'refused';
  hub: string;
  hub_name: string;
  unit_name: string;
  digits: string;
  last_contact_ms: number | null;
  last_try_ms: number | null;
  next_try_ms: number | null;
  unsent: number | null;
  /** How many entries the hub has set aside, and why, one sentence each. */
  refused: number;
  set_aside: readonly string[];
  sentence: string;
}

/** One implant that the unit's own search finds for a notice. */
export interface RecalledImplant {
  group: Group;
  differs: readonly string[];
  record: string;
  item: string;
  fate: string;
  lot: string;
  serial: string;
  expires_on: string;
  on_day: string;
  number: string;
  name: string;
  born_on: string;
  case: string;
  marks: readonly Mark[];
}

/** One lot on the shelf that a notice names. */
export interface RecalledLot {
  stock: string;
  group: Group;
  name: string;
  lot: string;
  expires_on: string;
  count: number;
}
/** What a person of the unit does with a notice; `heed` puts it in force here again. */
export type RecallAct = 'acknowledge' | 'close' | 'heed';

export interface IncomingRecall {
  notice: string;
  state: 'in-force' | 'withdrawn';
  item: RecallItem;
  criteria: RecallCriteria;
  reason: string;
  issued_on: string;
  came_ms: number | null;
  answer: RecallAnswer;
  answered_ms: number | null;
  /** People here took it out of force for this unit: no tablet heeds it (NL7). */
  is_withdrawn_here?: boolean;
  /** Why it cannot be searched by, "" where it can. */
  sentence: string;
  /** `surely` of the patients have this very lot; the others have one that is near or looks alike. */
  found: {
    cases: number;
    patients: number;
    surely: number;
    unknown_lots: number;
    on_shelf: number;
  } | null;
  rows: readonly RecalledImplant[];
  shelf: readonly RecalledLot[];
  /** A digest of all that it touches: closing says by it what stood on the screen (NL8). */
  seen?: string;
}

/** A proposal about a patient of this unit; the name is known here alone. */
export interface IncomingLink {
  proposal: string;
  state: LinkState;
  other_unit_name: string;
  probability_per_mille: number;
  traits: readonly LinkTrait[];
  own: { patient: string; number: string; name: string; born_on: string } | null;
  answer: '' | LinkAnswer;
  answered_ms: number | null;
  /** It was answered, and that no longer counts (NL2). */
  is_asked_anew?: boolean;
}

/** A rule file that the hub proposes; it is never in force by itself. */
/** What people of a unit do with a version that the network proposes. */
export type RuleFileAct = 'take' | 'set-aside' | 'approve' | 'retire';

export interface IncomingRuleFile {
  proposal: string;
  file: string;
  version: number;
  came_ms: number | null;
  because: string;
  sentences: readonly string[];
  /** What the sentences are told against. */
  against: ComparedWith;
  standing: 'new' | 'taken' | 'set-aside' | 'withdrawn';
  /** The network withdrew it, also after it was taken here; for this reason (WD5). */
  is_withdrawn?: boolean;
  withdrawn_because?: string;
  /** Where it stands in the unit's own release; '' where it is not held. */
  here?: HeldStanding;
}

/** Every question about the network that a unit's own server answers. */
export interface NetworkHereQuestions {
  line: { asks: null; tells: NetworkLine };
  'incoming-recalls': { asks: null; tells: { notices: readonly IncomingRecall[] } };
  'answer-recall': {
    asks: { notice: string; act: Exclude<RecallAct, 'close'> };
    tells: { notices: readonly IncomingRecall[] };
  };
  'close-recall': {
    asks: { notice: string; seen: string };
    tells: { notices: readonly IncomingRecall[] };
  };
  'incoming-links': { asks: null; tells: { proposals: readonly IncomingLink[] } };
  'answer-link': {
    asks: { proposal: string; answer: LinkAnswer };
    tells: { proposals: readonly IncomingLink[] };
  };
  'incoming-rule-files': { asks: null; tells: { proposals: readonly IncomingRuleFile[] } };
  'answer-rule-file': {
    asks: { proposal: string; act: RuleFileAct; because: string };
    tells: { proposals: readonly IncomingRuleFile[] };
  };
}
