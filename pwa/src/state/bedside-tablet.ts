/** The tablet itself, as the frame and the screens are given it: settings, cues, update, screen. */
import { getContext, setContext } from 'svelte';
import type { CodeWriter, LabelScanner } from '../ports';
import type { AppUpdate } from './app-update.svelte';
import type { Cues } from './cues.svelte';
import type { DeviceFacts } from './device-facts.svelte';
import type { ScreenKeeper } from './screen-keeper.svelte';
import type { TabletSettings } from './tablet-settings.svelte';

export interface BedsideTablet {
  settings: TabletSettings;
  device: DeviceFacts;
  cues: Cues;
  update: AppUpdate;
  keeper: ScreenKeeper;
  labels: LabelScanner;
  codes: CodeWriter;
}

const KEY = Symbol('bedside tablet');

export function provideBedsideTablet(tablet: BedsideTablet): void {
  setContext(KEY, tablet);
}

/** Return the parts of the tablet; call while a component is being made. */
export function useBedsideTablet(): BedsideTablet {
  return getContext<BedsideTablet>(KEY);
}
