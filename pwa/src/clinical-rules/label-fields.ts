/** What a device label says, field by field, and what is wrong with it. Twin of `label_fields.py`. */

export type FieldName = 'identifier' | 'lot' | 'serial' | 'made_on' | 'expires_on';

/** The fields read so far; a field with a problem stays null (DL1). */
export class LabelFields {
  readonly problems: string[] = [];
  readonly #held = new Map<FieldName, string>();
  readonly #spoiled = new Set<FieldName>();

  get(field: FieldName): string | null {
    return this.#held.get(field) ?? null;
  }

  /** Keep a field; two different contents are a problem and leave it null. */
  put(field: FieldName, content: string, labelName: string): void {
    const held = this.#held.get(field);
    if (this.#spoiled.has(field) || held === content) return;
    if (held !== undefined) {
      this.spoil(field, `${labelName} stands twice with different content.`);
      return;
    }
    this.#held.set(field, content);
  }

  /** Note a problem with a field; it stays null whatever else the label says of it. */
  spoil(field: FieldName, problem: string): void {
    this.#spoiled.add(field);
    this.#held.delete(field);
    this.problems.push(problem);
  }
}
