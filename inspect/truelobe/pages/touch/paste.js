// A picture pasted anywhere on the page, except while somebody types into a field that takes text.
const LARGEST = 40 * 1024 * 1024;

export default function ({ setTriggerValue }) {
  const paste = (event) => {
    const file = [...(event.clipboardData?.files ?? [])].find((one) => one.type.startsWith("image/"));
    if (!file || file.size > LARGEST) return;
    event.preventDefault();
    const reader = new FileReader();
    reader.onload = () =>
      setTriggerValue("pasted", { name: file.name || "pasted picture", base64: reader.result.split(",", 2)[1] });
    reader.readAsDataURL(file);
  };
  document.addEventListener("paste", paste);
  return () => document.removeEventListener("paste", paste);
}
