/**
 * Reads the line below a GS1 code, field numbers in round brackets, by the rules of the code. Pure.
 * Twin of `gs1_line.py`, which names the sources.
 */
import { spoilField, takeElement } from './gs1-label';
import { LabelFields } from './label-fields';

/** A content with a bracket of its own is not told apart from a field. */
const FIELD = /\(([0-9]{2,4})\) *([^() ]+) */y;

/**
 * Return the fields of a line that begins with a bracket (DL13). Where no field follows, nobody
 * knows where the content of the last one ends.
 */
export function readGs1Line(line: string, todayOn: string): LabelFields {
  const fields = new LabelFields();
  const { found, end } = partLine(line);
  const problem = `After ${end} characters no field in brackets follows. Write the line as printed.`;
  const torn = end < line.length ? found.pop() : undefined;
  if (torn !== undefined) spoilField(fields, torn[0], problem);
  else if (end < line.length) fields.problems.push(problem);
  for (const [number, content] of found) takeElement(fields, number, content, todayOn);
  return fields;
}

/** Return the fields of a line, and after how many characters none follows. */
export function partLine(line: string): { found: [string, string][]; end: number } {
  const found: [string, string][] = [];
  let end = 0;
  for (;;) {
    FIELD.lastIndex = end;
    const field = FIELD.exec(line);
    if (field === null) return { found, end };
    found.push([field[1] ?? '', field[2] ?? '']);
    end = FIELD.lastIndex;
  }
}
