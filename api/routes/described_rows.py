"""Describes what travels as a row: a struct that is written as a list, not as an object."""

from typing import TYPE_CHECKING

import msgspec
from litestar.openapi.spec import OpenAPIType, Schema
from litestar.plugins import OpenAPISchemaPlugin
from litestar.typing import FieldDefinition

if TYPE_CHECKING:
    from litestar._openapi.schema_generation import SchemaCreator


class DescribedRows(OpenAPISchemaPlugin):
    """Tells the description of the interface what the framework does not: the order of a row."""

    def is_plugin_supported_field(self, field_definition: FieldDefinition) -> bool:
        """Say whether a type is such a struct."""
        return (
            not field_definition.is_union
            and field_definition.is_subclass_of(msgspec.Struct)
            and field_definition.annotation.__struct_config__.array_like
        )

    def to_openapi_schema(
        self, field_definition: FieldDefinition, schema_creator: "SchemaCreator"
    ) -> Schema:
        """Return a list of its fields in their order."""
        hints = field_definition.get_type_hints(include_extras=True, resolve_generics=True)
        names = field_definition.annotation.__struct_fields__
        return Schema(
            type=OpenAPIType.ARRAY,
            title=field_definition.annotation.__name__,
            prefix_items=[
                schema_creator.for_field_definition(
                    FieldDefinition.from_annotation(annotation=hints[name], name=name)
                )
                for name in names
            ],
            min_items=len(names),
            max_items=len(names),
        )
