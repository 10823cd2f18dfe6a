/**
 * All rule files of a unit on one day: which version of each is in force. Twin of `rule_book.py`.
 */
import { isCivilDate } from './civil-date';
import { RuleFileError, ShapeError } from './errors';
import { hashText, pathOf, type RuleFile, readRuleFile } from './rule-file';
import { dayInForce, judgeRelease, type Release } from './rule-release';
import { listOf, type Reader, shape, text, wholeNumber } from './shapes';

export const IN_FORCE = 'in_force.json';

const readListing = shape({
  in_force: listOf(shape({ name: text, version: wholeNumber, from_on: text })),
  defaults: listOf(shape({ folder: text, name: text })),
});
type Listed = ReturnType<typeof readListing>['in_force'][number];
const NONE: ReadonlyMap<string, Listed> = new Map();

/** What the unit has said of its rule files, and whether it is in training. */
export interface UnitReleases {
  readonly releases: readonly Release[];
  /** In training every listed file counts, approved or not (RL5). */
  readonly isTraining: boolean;
}

/** The rule files in force on one civil date. Rules RF5, RF6, RL1-RL7. */
export class RuleBook {
  readonly on: string;
  readonly isTraining: boolean;
  readonly #contents: Readonly<Record<string, string>>;
  #chosen: ReadonlyMap<string, Listed>;
  #listed: ReadonlyMap<string, Listed>;
  readonly #why = new Map<string, string>();
  readonly #defaults: ReadonlyMap<string, string>;
  readonly #read = new Map<string, { readRow: unknown; ruleFile: RuleFile<unknown> }>();
  readonly #unit: UnitReleases;
  #isRecordOnly: () => boolean = () => false;

  /**
   * @param contents - every rule file by its path below the data folder, and `in_force.json`
   * @param on - civil date for which versions are chosen; passed in by the caller
   * @param unit - what the unit has released; left out, this is a training book
   * @throws RuleFileError when `in_force.json` is missing, unreadable or lists a missing file
   */
  constructor(
    contents: Readonly<Record<string, string>>,
    on: string,
    unit: UnitReleases = { releases: [], isTraining: true },
  ) {
    const { releases, isTraining } = unit;
    this.#unit = unit;
    if (!isCivilDate(on)) {
      throw new RuleFileError(`${on} is no date. Give the rule book a date such as 2026-03-01.`);
    }
    this.on = on;
    this.isTraining = isTraining;
    this.#contents = contents;
    const listing = readInForce(contents);
    this.#defaults = new Map(listing.defaults.map((one) => [one.folder, one.name]));
    for (const listed of listing.in_force) {
      const path = pathOf(listed);
      if (contents[path] === undefined || !isCivilDate(listed.from_on)) {
        throw new RuleFileError(
          `Rule file ${IN_FORCE} lists ${path} from ${listed.from_on}: the file is ` +
            'missing or the date is none. Add the file or correct the line.',
        );
      }
    }
    this.#listed = choose(listing.in_force, on);
    const released = this.#takeReleases(releases);
    this.#chosen = choose(isTraining ? [...listing.in_force, ...released] : released, on);
  }

  /**
   * Return a book that holds exactly these versions: what an old answer was made by (RL6).
   *
   * @throws RuleFileError when a version is not held here, or its bytes are others
   */
  static pinned(
    contents: Readonly<Record<string, string>>,
    ruleFiles: readonly { name: string; version: number; sha256: string }[],
    on: string,
    isTraining = true,
  ): RuleBook {
    const book = new RuleBook(contents, on, { releases: [], isTraining });
    const chosen = new Map<string, Listed>();
    for (const { name, version, sha256 } of ruleFiles) {
      const path = pathOf({ name, version });
      const content = contents[path];
      if (content === undefined || hashText(content) !== sha256) {
        const held = content === undefined ? 'is not held here' : 'has other bytes here';
        throw new RuleFileError(`Rule file ${path} ${held}. Add the file that the answer names.`);
      }
      chosen.set(name, { name, version, from_on: on });
    }
    book.#chosen = chosen;
    book.#listed = chosen;
    return book;
  }

  /**
   * Return this book for a case: while the case is recorded only, no file computes (HAZ-13).
   *
   * The order of the steps and the gates stand, as they do where nothing is approved (RL7).
   *
   * @param isRecordOnly - asked at every look into the book; the answer may change under a screen
   */
  forCase(isRecordOnly: () => boolean): RuleBook {
    const book = new RuleBook(this.#contents, this.on, this.#unit);
    book.#chosen = this.#chosen;
    book.#listed = this.#listed;
    book.#isRecordOnly = isRecordOnly;
    return book;
  }

  /** True while the case of this book is recorded only: no number of any calculation is shown. */
  get isRecordOnly(): boolean {
    return this.#isRecordOnly();
  }

  /** The versions that compute now. */
  get #computing(): ReadonlyMap<string, Listed> {
    return this.isRecordOnly ? NONE : this.#chosen;
  }

  /** Return what the unit's releases put in force, and keep why the others are not. */
  #takeReleases(releases: readonly Release[]): Listed[] {
    const taken: Listed[] = [];
    const inOrder = [...releases].sort(
      (one, other) =>
        (one.name < other.name ? -1 : one.name > other.name ? 1 : 0) || one.version - other.version,
    );
    for (const release of inOrder) {
      const { standing, why } = judgeRelease(release, this.on);
      const { name, version } = release;
      if (standing === 'in force') {
        taken.push({ name, version, from_on: dayInForce(release) ?? this.on });
      } else if (this.isTraining && standing !== 'retired') {
        // In training what was proposed last is what people want to try.
        taken.push({ name, version, from_on: this.on });
      } else this.#why.set(release.name, `version ${release.version}: ${why}`);
    }
    return taken;
  }

  /** Return the names in force below a folder, sorted, such as `follow_up/standard`. */
  names(folder: string): string[] {
    return [...this.#computing.keys()].filter((name) => name.startsWith(`${folder}/`)).sort();
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

  /** Return the version in force of a rule file, null where none is. */
  versionOf(name: string): number | null {
    return this.#computing.get(name)?.version ?? null;
  }

  /** Say whether a version of the named rule file is in force. */
  has(name: string): boolean {
    return this.#computing.has(name);
  }

  /** Say whether the very bytes of a version are held here. */
  holds({ name, version, sha256 }: { name: string; version: number; sha256: string }): boolean {
    const content = this.#contents[pathOf({ name, version })];
    return content !== undefined && hashText(content) === sha256;
  }

  /**
   * Return this book with the versions that an answer was made by in their places (RL6, HAZ-10).
   *
   * @param ruleFiles - as the answer names them; where one is not held here, this book stays
   */
  pinnedTo(ruleFiles: readonly { name: string; version: number; sha256: string }[]): RuleBook {
    if (ruleFiles.length === 0 || !ruleFiles.every((file) => this.holds(file))) return this;
    const book = RuleBook.pinned(this.#contents, ruleFiles, this.on, this.isTraining);
    book.#isRecordOnly = this.#isRecordOnly;
    book.#listed = new Map([...this.#listed, ...book.#chosen]);
    book.#chosen = new Map([...this.#chosen, ...book.#chosen]);
    return book;
  }

  /**
   * Return the version in force of a rule file, such as `sizing/coil_counts`.
   *
   * @throws RuleFileError when none is in force, or the file is unreadable, a draft or retired
   */
  ruleFile<T>(name: string, readRow: Reader<T>): RuleFile<T> {
    const listed = this.#computing.get(name);
    if (listed === undefined) throw new RuleFileError(this.#explainAbsence(name));
    return this.ruleFileVersion(name, listed.version, readRow);
  }

  /**
   * Return the version in force, else the one that the release lists.
   *
   * For the order of the steps alone: an approval that is missing withholds numbers, never the
   * place to record what people did (RL7, GATE-00).
   */
  ruleFileOrListed<T>(name: string, readRow: Reader<T>): RuleFile<T> {
    const listed = this.#chosen.get(name) ?? this.#listed.get(name);
    if (listed === undefined) throw new RuleFileError(this.#explainAbsence(name));
    return this.ruleFileVersion(name, listed.version, readRow);
  }

  #explainAbsence(name: string): string {
    if (this.isRecordOnly) {
      return 'This case is recorded only: it lies outside the stated use. Go on without a number.';
    }
    if (this.isTraining) {
      return `No version of rule file ${name} is in force on ${this.on}. List one in ${IN_FORCE}.`;
    }
    const why = this.#why.get(name) ?? 'nobody has approved it';
    return (
      `Rule file ${name} is not in force on ${this.on} (${why}). No number without it: two ` +
      'people approve it, one of them an endoscopist.'
    );
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

/** Return for each name the line whose day came last; of one day the highest version. */
function choose(listed: readonly Listed[], on: string): Map<string, Listed> {
  const chosen = new Map<string, Listed>();
  for (const one of listed) {
    const known = chosen.get(one.name);
    const isLater =
      known === undefined ||
      known.from_on < one.from_on ||
      (known.from_on === one.from_on && known.version <= one.version);
    if (one.from_on <= on && isLater) chosen.set(one.name, one);
  }
  return chosen;
}
