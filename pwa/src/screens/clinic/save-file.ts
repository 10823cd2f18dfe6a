/** Hands a file to the person: the browser saves it where downloads go. */

/** Save bytes or a text as a file of this name. */
export function saveFile(content: BlobPart, mediaType: string, name: string): void {
  const address = URL.createObjectURL(new Blob([content], { type: mediaType }));
  const link = document.createElement('a');
  link.href = address;
  link.download = name;
  link.click();
  // Some browsers read the address only after the click has returned.
  setTimeout(() => URL.revokeObjectURL(address), 60_000);
}
