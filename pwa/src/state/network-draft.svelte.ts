/** A new version of a rule file as it is written at the hub: begun, checked whole, laid down. */
import type { ComparedWith, RuleFileChanges } from '../network-rule-questions';
import type { NetworkProtocols } from './network-protocols.svelte';
import type { UnitDesk } from './unit-desk.svelte';

/** The server takes no longer text. */
export const LONGEST_TEXT = 200_000;

export class NetworkDraft {
  readonly #desk: UnitDesk;
  readonly #protocols: NetworkProtocols;
  #text = $state('');
  /** Which version the text was begun with; null of a file that was loaded. */
  basedOn = $state.raw<ComparedWith | null>(null);
  /** What is wrong with the text, a sentence each; null before it was checked as it stands. */
  faults = $state.raw<readonly string[] | null>(null);
  /** What the text changes; null where it was not checked as it stands, or has faults. */
  changes = $state.raw<RuleFileChanges | null>(null);
  /** What was laid down last, until something else is begun. */
  laid = $state.raw<{ file: string; version: number } | null>(null);
  /** A file was chosen that cannot be a rule file. */
  isNoText = $state(false);

  constructor(desk: UnitDesk, protocols: NetworkProtocols) {
    this.#desk = desk;
    this.#protocols = protocols;
  }

  get text(): string {
    return this.#text;
  }

  /** A text that was changed is no longer the one that was checked. */
  set text(text: string) {
    this.#text = text;
    this.faults = null;
    this.changes = null;
    this.laid = null;
    this.isNoText = false;
  }

  /** Begin with the text in force of a file, under the next number. */
  async begin(file: string): Promise<void> {
    const told = await this.#desk.ask('rule-file-text', { file });
    if (told === null) return;
    this.text = told.text;
    this.basedOn = told.based_on;
  }

  /** Take a file that somebody changed elsewhere, and check it. */
  async load(bytes: ArrayBuffer): Promise<void> {
    this.leave();
    try {
      const text = new TextDecoder('utf-8', { fatal: true }).decode(bytes);
      if (text.length > LONGEST_TEXT || text.trim() === '') throw new RangeError();
      this.text = text;
    } catch {
      this.isNoText = true;
      return;
    }
    await this.check();
  }

  async check(): Promise<void> {
    const { text } = this;
    const told = await this.#desk.ask('check-rule-file', { text });
    if (told === null || this.text !== text) return;
    this.faults = told.faults;
    this.changes = told.changes;
  }

  /** Nothing is laid down that was not checked and read as it stands. */
  get canLay(): boolean {
    return this.changes !== null && this.faults?.length === 0;
  }

  async lay(): Promise<boolean> {
    const { text, changes } = this;
    if (changes === null || !this.canLay) return false;
    const told = await this.#desk.ask('draft-rule-file', { text });
    if (!this.#protocols.asked.take(told)) return false;
    const { file, version } = changes;
    this.leave();
    this.laid = { file, version };
    this.#protocols.choose(file);
    await this.#protocols.chooseVersion(version);
    return true;
  }

  leave(): void {
    this.text = '';
    this.basedOn = null;
  }
}
