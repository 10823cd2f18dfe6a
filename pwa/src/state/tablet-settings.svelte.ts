/** The settings of this tablet as they stand now, kept in its store. */
import type { RecordStore } from '../ports';
import { tabletWords } from '../text/tablet';
import { DEFAULT_SETTINGS, readSettings, type Settings, writeSettings } from './tablet-settings';

const NAME = 'tablet-settings';

export class TabletSettings {
  readonly #store: RecordStore;
  current = $state.raw<Settings>(DEFAULT_SETTINGS);
  /** Why the last change will not outlive this page, else "". */
  notSaved = $state('');

  constructor(store: RecordStore) {
    this.#store = store;
  }

  /** Take up what was remembered. */
  async load(): Promise<void> {
    this.current = readSettings(await this.#store.recall(NAME));
  }

  /** Set something, from now on and after a restart. */
  async change(part: Partial<Settings>): Promise<void> {
    this.current = { ...this.current, ...part };
    try {
      await this.#store.remember(NAME, writeSettings(this.current));
      this.notSaved = '';
    } catch {
      this.notSaved = tabletWords.settingsNotSaved;
    }
  }
}
