/**
 * All rule files of a unit on one day: which version of each is in force. Twin of `rule_book.py`.
 */
import { isCivilDate } from './civil-date';
import { RuleFileError, ShapeError } from './errors';
import { type RuleFile, readRuleFile } from './rule-file';
import { listOf, type Reader, shape, text, wholeNumber } from './shapes';

export const IN_FORCE = 'in_force.json';

const readListing = shape({
  in_force: listOf(shape({ name: text, version: wholeNumber, from_on: text })),
  defaults: listOf(shape({ folder: text, name: text })),
});
type Listed = ReturnType<typeof readListing>['in_force'][number];

/** The rule files in force on one civil date. Rules RF5 and RF6. */
export class RuleBook {
  readonly on: string;
  readonly #contents: Readonly<Record<string, string>>;
  readonly #chosen = new Map<string, Listed>();
  readonly #defaults: ReadonlyMap<string, string>;
  readonly #read = new Map<string, { readRow: unknown; ruleFile: RuleFile<unknown> }>();

  /**
   * @param contents - every rule file by its path below the data folder, and `in_force.json`
   * @param on - civil date for which versions are chosen; passed in by the caller
   * @throws RuleFileError when `in_force.json` is missing, unreadable or lists a missing file
   */
  constructor(contents: Readonly<Record<string, string>>, on: string) {
    if (!isCivilDate(on)) {
      throw new RuleFileError(`${on} is no date. Give the rule book a date such as 2026-03-01.`);
    }
    this.on = on;
    this.#contents = contents;
    const listing = readInForce(contents);
    for (const listed of listing.in_force) {
      const path = `${listed.name}.v${listed.version}.json`;
      if (contents[path] === undefined || !isCivilDate(listed.from_on)) {
        throw new RuleFileError(
          `Rule file ${IN_FORCE} lists ${path} from ${listed.from_on}: the file is ` +
            'missing or the date is none. Add the file or correct the line.',
        );
      }
      const known = this.#chosen.get(listed.name);
      if (listed.from_on <= on && (known === undefined || known.from_on <= listed.from_on)) {
        this.#chosen.set(listed.name, listed);
      }
    }
    this.#defaults = new Map(listing.defaults.map((one) => [one.folder, one.name]));
  }

  /** Return the names in force below a folder, sorted, such as `follow_up/standard`. */
  names(folder: string): string[] {
    return [...this.#chosen.keys()].filter((name) => name.startsWith(`${folder}/`)).sort();
  }

  /**
   * Return the name that stands for `default` in a folder.
   *
   * @throws RuleFileError when `in_force.json` names no default for the folder
   */
  defaultName(folder: string): string {
    const name = this.#defaults.get(folder);
    if (name === undefined) {
      throw new RuleFileError(
        `Rule file ${IN_FORCE} names no default for ${folder}. Add it there.`,
      );
    }
    return name;
  }

  /** Say whether a version of the named rule file is in force. */
  has(name: string): boolean {
    return this.#chosen.has(name);
  }

  /**
   * Return the version in force of a rule file, such as `sizing/coil_counts`.
   *
   * @throws RuleFileError when none is in force, or the file is unreadable, a draft or retired
   */
  ruleFile<T>(name: string, readRow: Reader<T>): RuleFile<T> {
    const listed = this.#chosen.get(name);
    if (listed === undefined) {
      throw new RuleFileError(
        `No version of rule file ${name} is in force on ${this.on}. List one in ${IN_FORCE}.`,
      );
    }
    return this.ruleFileVersion(name, listed.version, readRow);
  }

  /**
   * Return one version of a rule file, in force or not: what an old case pinned.
   *
   * @throws RuleFileError when the version is missing or unreadable
   */
  ruleFileVersion<T>(name: string, version: number, readRow: Reader<T>): RuleFile<T> {
    const path = `${name}.v${version}.json`;
    const held = this.#read.get(path);
    if (held !== undefined && held.readRow === readRow) return held.ruleFile as RuleFile<T>;
    const content = this.#contents[path];
    if (content === undefined) {
      throw new RuleFileError(`Rule file ${path} is missing. Add it or pin another version.`);
    }
    const ruleFile = readRuleFile(path, content, readRow);
    const isChosen = this.#chosen.get(name)?.version === version;
    if (isChosen && (ruleFile.status === 'draft' || ruleFile.status === 'retired')) {
      throw new RuleFileError(
        `Rule file ${path} is listed in ${IN_FORCE} but its status is ${ruleFile.status}. ` +
          'Take it off the list or approve it as a new version.',
      );
    }
    this.#read.set(path, { readRow, ruleFile });
    return ruleFile;
  }
}

/** Return what every answer carries of the rule files it used, in the order given (RF7). */
export function nameRuleFiles(
  ...ruleFiles: readonly RuleFile<unknown>[]
): { name: string; version: number; sha256: string }[] {
  return ruleFiles.map(({ name, version, sha256 }) => ({ name, version, sha256 }));
}

function readInForce(contents: Readonly<Record<string, string>>) {
  const content = contents[IN_FORCE];
  if (content === undefined) {
    throw new RuleFileError(
      `Rule file ${IN_FORCE} is missing. Add it beside the folders of rule files.`,
    );
  }
  try {
    return readListing(JSON.parse(content), '');
  } catch (error) {
    if (error instanceof ShapeError || error instanceof SyntaxError) {
      throw new RuleFileError(
        `Rule file ${IN_FORCE} cannot be read (${error.message}). Correct it there.`,
      );
    }
    throw error;
  }
}
