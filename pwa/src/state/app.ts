/** What every screen is given: the ports and the few states that all share. */
import { getContext, setContext } from 'svelte';
import type { RuleBook } from '../clinical-rules/rule-book';
import type {
  Clock,
  IdSource,
  KeyKeeper,
  PictureDevice,
  PictureStore,
  RecordStore,
} from '../ports';
import type { CaseUse } from './case-use.svelte';
import type { Lock } from './lock.svelte';
import type { Places } from './place.svelte';
import type { StatusSubject } from './status-subject.svelte';
import type { Tablet } from './tablet.svelte';
import type { UnitRuleBook } from './unit-rule-book.svelte';

export interface App {
  store: RecordStore;
  pictures: { store: PictureStore; device: PictureDevice };
  /** The PINs of this tablet, and when it locks. */
  keys: KeyKeeper;
  lock: Lock;
  clock: Clock;
  ids: IdSource;
  tablet: Tablet;
  places: Places;
  /** Whether the case on screen has numbers or is recorded only (HAZ-13). */
  caseUse: CaseUse;
  /** The rule book in force now; a screen keeps the one that it opened with (HAZ-10). */
  readonly ruleBook: RuleBook;
  unitRules: UnitRuleBook;
  status: StatusSubject;
}

const KEY = Symbol('app');

export function provideApp(app: App): void {
  setContext(KEY, app);
}

/** Return the app's parts; call while a component is being made. */
export function useApp(): App {
  return getContext<App>(KEY);
}
