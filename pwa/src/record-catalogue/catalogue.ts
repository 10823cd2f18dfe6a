/**
 * The record catalogue: every record kind and field. Twin of `api/record_catalogue/catalogue.py`.
 *
 * The one joint between clinic and sync: it names fields and merge policies; `mergeRecord`
 * receives the policies as an argument.
 */
import type { FieldPolicy, MergePolicy } from '../sync/merge-policies';

/** The catalogue contradicts itself; the text names the kind and field to correct. */
export class CatalogueError extends Error {
  override name = 'CatalogueError';
}

/** One field: its type, allowed values, unit and merge policy. */
export interface CatalogueField {
  readonly id: string;
  readonly type: string;
  readonly merge: MergePolicy;
  readonly since: number;
  readonly unit?: string;
  readonly values?: readonly string[];
  readonly rank?: readonly string[];
  readonly fields?: readonly Readonly<Record<string, unknown>>[];
  readonly retired?: boolean;
}

/** One record kind: the stream it travels in and the field that names its parent. */
export interface CatalogueKind {
  readonly id: string;
  readonly meaning: string;
  readonly stream: string;
  readonly since: number;
  readonly fields: readonly CatalogueField[];
  readonly parent?: string | null;
  readonly retired?: boolean;
}

const FIELD_KEYS = ['id', 'type', 'merge', 'since', 'unit', 'values', 'rank', 'fields', 'retired'];
const KIND_KEYS = ['id', 'meaning', 'stream', 'since', 'fields', 'parent', 'retired'];
const POLICIES = ['ask_a_person', 'keep_all', 'furthest', 'latest'];

/** Field name to policy, as `mergeRecord` takes it. */
export type PolicyTable = Readonly<Record<string, FieldPolicy>>;

/** All kinds by id, and the policies of each kind's fields. */
export class Catalogue {
  readonly version: number;
  readonly kinds: ReadonlyMap<string, CatalogueKind>;
  readonly #policies: ReadonlyMap<string, PolicyTable>;

  constructor(version: number, kinds: ReadonlyMap<string, CatalogueKind>) {
    this.version = version;
    this.kinds = kinds;
    this.#policies = new Map(
      [...kinds.values()].map((kind) => [
        kind.id,
        Object.fromEntries(
          kind.fields.map((field) => [field.id, { merge: field.merge, rank: field.rank ?? [] }]),
        ),
      ]),
    );
  }

  /** Return the stream a kind travels in, null for a kind of a newer version. */
  streamOf(kind: string): string | null {
    return this.kinds.get(kind)?.stream ?? null;
  }

  /** Return the field that names the parent, null where a kind has none or is not known. */
  parentFieldOf(kind: string): string | null {
    return this.kinds.get(kind)?.parent ?? null;
  }

  /** Return the policy table that `mergeRecord` takes. */
  policiesOf(kind: string): PolicyTable {
    return this.#policies.get(kind) ?? {};
  }
}

/**
 * Return the catalogue that the parsed `catalogue.json` holds.
 *
 * @throws CatalogueError for unknown keys, doubled ids, a parent that is no field, or a rank
 * where it does not belong
 */
export function readCatalogue(content: unknown): Catalogue {
  const file = content as { version?: unknown; kinds?: unknown };
  if (!Number.isInteger(file?.version) || !Array.isArray(file.kinds)) {
    throw new CatalogueError('catalogue.json has no version or no kinds. Correct it there.');
  }
  refuseUnknownKeys(file, ['version', 'kinds'], 'catalogue.json');
  const kinds = new Map<string, CatalogueKind>();
  for (const kind of file.kinds as CatalogueKind[]) {
    refuseUnknownKeys(kind, KIND_KEYS, `Kind ${kind.id}`);
    const names = kind.fields.map((field) => field.id);
    if (kinds.has(kind.id) || new Set(names).size !== names.length) {
      throw new CatalogueError(`Kind ${kind.id} or one of its fields stands twice. Remove one.`);
    }
    if (kind.parent && !names.includes(kind.parent)) {
      throw new CatalogueError(
        `Kind ${kind.id} has no field ${kind.parent} for its parent. Add it.`,
      );
    }
    for (const field of kind.fields) {
      refuseUnknownKeys(field, FIELD_KEYS, `${kind.id}.${field.id}`);
      if (!POLICIES.includes(field.merge)) {
        throw new CatalogueError(`${kind.id}.${field.id} has no known merge policy. Correct it.`);
      }
      if ((field.merge === 'furthest') !== (field.rank ?? []).length > 0) {
        throw new CatalogueError(
          `${kind.id}.${field.id}: a rank goes with furthest alone. Correct it.`,
        );
      }
    }
    kinds.set(kind.id, kind);
  }
  return new Catalogue(file.version as number, kinds);
}

function refuseUnknownKeys(content: object, known: readonly string[], where: string): void {
  const unknown = Object.keys(content).find((key) => !known.includes(key));
  if (unknown !== undefined) {
    throw new CatalogueError(`${where} has the unknown key ${unknown}. Correct it.`);
  }
}
