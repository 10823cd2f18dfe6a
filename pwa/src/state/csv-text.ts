/** Rows as CSV (RFC 4180): a header, CRLF, quotes doubled; every field quoted. */

/** A spreadsheet would take a field that begins so for a formula and run it. */
const FORMULA = /^[=+\-@\t\r]/;

/** Return the rows as CSV text; what a spreadsheet would run gets an apostrophe in front. */
export function writeCsv(header: readonly string[], rows: readonly (readonly string[])[]): string {
  const line = (fields: readonly string[]) =>
    `${fields.map((field) => `"${harmless(field).replaceAll('"', '""')}"`).join(',')}\r\n`;
  return [line(header), ...rows.map(line)].join('');
}

function harmless(field: string): string {
  return FORMULA.test(field) ? `'${field}` : field;
}
